#include "server/figures/ranking.h"

#include <memory>
#include <string>

#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kNow = 1000;

class RankingTest : public ::testing::Test {
 protected:
  void Add(const HistoryBuilder& builder) {
    timelines_.push_back(
        std::make_unique<MachineTimeline>(builder.Build(), AlwaysOpen(), Span(0, kNow), false));
    machines_.push_back(timelines_.back().get());
  }

  std::vector<RankingRow> Rank(int from = 0, int to = kNow, RankBy by = RankBy::kFirstOut) const {
    return RankFaults(machines_, Span(from, to), by);
  }

  // "class first-out/alone/present outages/failures machines" per row, minutes.
  std::string Ranked(int from = 0, int to = kNow, RankBy by = RankBy::kFirstOut) const {
    std::string text;
    for (const RankingRow& row : Rank(from, to, by)) {
      if (!text.empty()) text += "; ";
      text += std::to_string(row.fault_class) + ": " + Minutes(row.first_out) + "/" + Minutes(row.alone) +
              "/" + Minutes(row.present) + " " + std::to_string(row.outages) + "/" +
              std::to_string(row.failures) + " " + std::to_string(row.machines);
    }
    return text;
  }

  static std::string Minutes(absl::Duration d) { return std::to_string(absl::ToInt64Minutes(d)); }

  std::vector<std::unique_ptr<MachineTimeline>> timelines_;
  std::vector<const MachineTimeline*> machines_;
};

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow); }

TEST_F(RankingTest, FirstOutTakesTheWholeOutageAloneAndPresentTheirShares) {
  Add(Watched().Fault(kJam, 100, 160).Fault(kLeak, 130, 200).Fault(kStop, 150, 155));
  // jam 1: first-out 100-200, alone 100-130, present 100-160; leak 2: alone 160-200, present 130-200.
  EXPECT_EQ(Ranked(), "1: 100/30/60 1/1 1; 2: 0/40/70 0/0 0; 5: 0/0/5 0/0 0");
}

TEST_F(RankingTest, AnExternalCauseBesideItMeansNotAlone) {
  Add(Watched().Fault(kJam, 100, 160).Fault(kMains, 120, 180));
  EXPECT_EQ(Ranked(), "1: 60/20/60 1/1 1");
}

TEST_F(RankingTest, OnlyDownTimeCounts) {
  // Raised under a closure, down from 150.
  Add(Watched().Closed(50, 150).Fault(kJam, 100, 200).Fault(kLeak, 120, 170));
  EXPECT_EQ(Ranked(), "1: 50/30/50 1/1 1; 2: 0/0/20 0/0 0");
}

TEST_F(RankingTest, AWindowCutsOutages) {
  Add(Watched().Fault(kJam, 100, 200).Fault(kLeak, 190, 300));
  EXPECT_EQ(Ranked(0, 150), "1: 50/50/50 1/1 1");
  EXPECT_EQ(Ranked(150, 250), "1: 100/40/50 0/0 1; 2: 0/50/60 0/0 0");
  EXPECT_EQ(Ranked(300, 400), "");
}

TEST_F(RankingTest, FirstOutHoursSumToDownTime) {
  Add(Watched().Fault(kJam, 100, 160).Fault(kLeak, 130, 200).Found(kArm, 300, 340).Found(kStop, 300, 350));
  Add(Watched().Fault(kJam, 400, kOpen).Occupied(420, 440));
  Add(HistoryBuilder().Observed(0, 50).Observed(90, kOpen).ObservedUntil(kNow).Settled(55, 85,
                                                                                       Condition::kDown, 1));
  for (const Interval& window : {Span(0, kNow), Span(60, 310), Span(150, 430)}) {
    absl::Duration down;
    for (const MachineTimeline* machine : machines_) down += ComputeAccount(*machine, window).down;
    absl::Duration first_out;
    double share = 0;
    const auto rows = RankFaults(machines_, window, RankBy::kFirstOut);
    for (const RankingRow& row : rows) {
      first_out += row.first_out;
      share += row.share;
      EXPECT_NEAR(row.cumulative_share, share, 1e-12);
      EXPECT_LE(row.alone, row.present);
    }
    EXPECT_EQ(first_out, down);
    EXPECT_NEAR(share, 1, 1e-12);
  }
}

TEST_F(RankingTest, AnUnseenOrderHasARowOfItsOwn) {
  Add(Watched().Found(kJam, 100, 160).Found(kLeak, 100, 150));
  EXPECT_EQ(Ranked(), "-1: 60/0/0 1/0 1; 1: 0/10/60 0/0 0; 2: 0/0/50 0/0 0");
}

TEST_F(RankingTest, SettledDownTimeHasARowOfItsOwn) {
  Add(HistoryBuilder().Observed(0, 50).Observed(90, kOpen).ObservedUntil(kNow).Settled(55, 85,
                                                                                       Condition::kDown, 1));
  EXPECT_EQ(Ranked(), "-2: 30/0/0 0/0 1");
}

TEST_F(RankingTest, AnOccupationAfterTheFaultIsTheFirstOuts) {
  Add(Watched().Fault(kJam, 100, 120).Occupied(110, 200));
  EXPECT_EQ(Ranked(), "1: 100/20/20 1/1 1");
}

TEST_F(RankingTest, AFaultThatSpansAVoidedStretchIsPresentInIt) {
  Add(Watched().Fault(kJam, 100, 200).Voided(120, 140).Fault(kLeak, 125, 150));
  EXPECT_EQ(Ranked(), "1: 100/90/100 1/1 1; 2: 0/0/10 0/0 0");
}

TEST_F(RankingTest, RowsAddUpOverMachinesAndSortByTheMeasureAsked) {
  Add(Watched().Fault(kJam, 100, 130).Wash(140, 150).Fault(kJam, 200, 230));
  Add(Watched().Fault(kJam, 100, 110).Fault(kJam, 120, 130).Fault(kLeak, 300, 400));
  EXPECT_EQ(Ranked(), "2: 100/100/100 1/1 1; 1: 80/80/80 4/3 2");
  EXPECT_EQ(Ranked(0, kNow, RankBy::kOutages), "1: 80/80/80 4/3 2; 2: 100/100/100 1/1 1");
  EXPECT_EQ(Ranked(0, kNow, RankBy::kFailures), "1: 80/80/80 4/3 2; 2: 100/100/100 1/1 1");
  const auto rows = Rank(0, kNow, RankBy::kOutages);
  EXPECT_EQ(rows[0].rank, 1);
  EXPECT_EQ(rows[1].rank, 2);
  EXPECT_NEAR(rows[0].share, 80.0 / 180, 1e-12);
  EXPECT_NEAR(rows[1].cumulative_share, 1, 1e-12);
}

TEST_F(RankingTest, AbuttingSpellsOfAClassAreAllPresent) {
  Add(Watched().Fault(kJam, 100, 130).Fault(kJam, 130, 160).Fault(kJam, 160, 200));
  EXPECT_EQ(Ranked(), "1: 100/100/100 1/1 1");
}

TEST_F(RankingTest, TiesGoByClassNumber) {
  Add(Watched().Fault(kLeak, 100, 130).Fault(kJam, 200, 230));
  EXPECT_EQ(Ranked(), "1: 30/30/30 1/1 1; 2: 30/30/30 1/1 1");
}

TEST_F(RankingTest, EachMachineMayHaveItsOwnWindow) {
  Add(Watched().Fault(kJam, 100, 200));
  Add(Watched().Fault(kJam, 100, 200));
  const std::vector<Interval> windows{Span(0, 150), Span(150, 300)};
  const auto rows = RankFaults(machines_, windows, RankBy::kFirstOut);
  ASSERT_EQ(rows.size(), 1u);
  EXPECT_EQ(rows[0].first_out, absl::Minutes(100));
  EXPECT_EQ(rows[0].outages, 1);
  EXPECT_EQ(rows[0].machines, 2);
}

TEST_F(RankingTest, RanksThatDifferByMoreThanFiveDependOnAttribution) {
  // Seven classes alone, and an eighth that began nothing but was longest present.
  HistoryBuilder builder = Watched();
  for (FaultClassNumber c = 11; c <= 17; ++c) builder.Fault(c, 40 * (c - 10), 40 * (c - 10) + 30 - (c - 10));
  builder.Fault(9, 400, 401).Fault(10, 400, 500);
  Add(builder);
  const auto rows = Rank();
  for (const RankingRow& row : rows) {
    // Class 9 began the long outage and was hardly there: first by first-out, last by presence.
    // Class 10 was there all along and began nothing: last by first-out, first by presence.
    EXPECT_EQ(row.order_matters, row.fault_class == 9 || row.fault_class == 10) << row.fault_class;
  }
  EXPECT_EQ(rows.size(), 9u);
}

}  // namespace
}  // namespace bayward::testing
