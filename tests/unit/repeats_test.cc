#include "server/figures/repeats.h"

#include <memory>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kHour = 60;
constexpr int kDay = 24 * kHour;
constexpr int kNow = 60 * kDay;

class RepeatsTest : public ::testing::Test {
 protected:
  void Add(const HistoryBuilder& builder, const Calendar& calendar = AlwaysOpen()) {
    MachineHistory history = builder.Build();
    history.machine = MachineId{static_cast<std::int32_t>(timelines_.size()) + 1};
    timelines_.push_back(
        std::make_unique<MachineTimeline>(std::move(history), calendar, Span(0, kNow), false));
    machines_.push_back(timelines_.back().get());
  }

  std::vector<RepeatRow> Rank(const RepeatOptions& options = {}, int from = 0, int to = kNow) const {
    const auto rows = RankRepeats(machines_, Span(from, to), At(kNow), options);
    EXPECT_TRUE(rows.ok()) << rows.status();
    return rows.value_or(std::vector<RepeatRow>());
  }

  // "class@machine restored/followed: repeats held no-wash" per row, "*" for all.
  static std::string Text(const std::vector<RepeatRow>& rows) {
    std::string text;
    for (const RepeatRow& row : rows) {
      if (!text.empty()) text += "; ";
      text += (row.fault_class.has_value() ? std::to_string(*row.fault_class) : "*") + "@" +
              (row.machine.has_value() ? std::to_string(row.machine->value) : "*") + " " +
              std::to_string(row.restored) + "/" + std::to_string(row.followed) + ": " +
              std::to_string(row.repeats) + " " + std::to_string(row.held) + " " +
              std::to_string(row.no_wash);
    }
    return text;
  }
  std::string Ranked(const RepeatOptions& options = {}, int from = 0, int to = kNow) const {
    return Text(Rank(options, from, to));
  }

  std::vector<Sore> Sores(const SoreOptions& options = {}, int from = 0, int to = kNow) const {
    const auto sores = FindSores(machines_, Span(from, to), At(kNow), options);
    EXPECT_TRUE(sores.ok()) << sores.status();
    return sores.value_or(std::vector<Sore>());
  }
  // "class@machine outages/failures first-until down" per chain, in hours; "+" while open.
  std::string Chains(const SoreOptions& options = {}, int from = 0, int to = kNow) const {
    std::string text;
    const auto hours = [](absl::Duration d) { return std::to_string(absl::ToInt64Hours(d)); };
    for (const Sore& sore : Sores(options, from, to)) {
      if (!text.empty()) text += "; ";
      text += std::to_string(sore.fault_class) + "@" + std::to_string(sore.machine.value) + " " +
              std::to_string(sore.outages) + "/" + std::to_string(sore.failures) + " " +
              hours(sore.first - At(0)) + "-" + hours(sore.until - At(0)) + (sore.open ? "+" : "") + " " +
              hours(sore.down);
    }
    return text;
  }

  std::vector<std::unique_ptr<MachineTimeline>> timelines_;
  std::vector<const MachineTimeline*> machines_;
};

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow); }

TEST_F(RepeatsTest, ARepeatBeginsLessThan72HoursAfterTheRestoration) {
  const int restored = kDay + 60;
  Add(Watched().Fault(kJam, kDay, restored).Fault(kJam, restored + 72 * kHour - 1, restored + 73 * kHour));
  EXPECT_EQ(Ranked(), "1@* 2/2: 1 0 1");
  Add(Watched().Fault(kJam, kDay, restored).Fault(kJam, restored + 72 * kHour, restored + 73 * kHour));
  EXPECT_EQ(Ranked({.grouping = RepeatGrouping::kMachine}), "*@1 2/2: 1 0 1; *@2 2/2: 0 0 2");
}

TEST_F(RepeatsTest, AnotherClassIsNoRepeatAndDoesNotHideOne) {
  Add(Watched()
          .Fault(kJam, kDay, kDay + 60)
          .Fault(kLeak, kDay + 120, kDay + 180)
          .Fault(kJam, kDay + 240, kDay + 300)
          .Wash(2 * kDay, 2 * kDay + 5));
  EXPECT_EQ(Ranked(), "1@* 2/2: 1 1 0; 2@* 1/1: 0 1 0");
  EXPECT_EQ(Ranked({.grouping = RepeatGrouping::kAll}), "*@* 3/3: 1 2 0");
  EXPECT_EQ(Ranked({.grouping = RepeatGrouping::kMachineAndClass}), "1@1 2/2: 1 1 0; 2@1 1/1: 0 1 0");
}

TEST_F(RepeatsTest, TheLastOfAChainIsFollowedOnItsOwn) {
  Add(Watched()
          .Fault(kJam, kDay, kDay + 10)
          .Fault(kJam, kDay + 20, kDay + 30)
          .Fault(kJam, kDay + 40, kDay + 50));
  EXPECT_EQ(Ranked(), "1@* 3/3: 2 0 1");
}

TEST_F(RepeatsTest, WithoutAWashItIsNoSuccess) {
  const HistoryBuilder jam = Watched().Fault(kJam, kDay, kDay + 60);
  Add(HistoryBuilder(jam).Wash(kDay + 70, kDay + 75));
  Add(HistoryBuilder(jam).Wash(kDay + 70, kDay + 75, CycleOutcome::kAborted));
  Add(HistoryBuilder(jam).Wash(5 * kDay, 5 * kDay + 5));  // too late
  Add(HistoryBuilder(jam).Wash(kDay + 70, kDay + 75).Fault(kLeak, kDay + 65, kDay + 80));  // contradictory
  EXPECT_EQ(Ranked({.grouping = RepeatGrouping::kMachine}),
            "*@1 1/1: 0 1 0; *@2 1/1: 0 0 1; *@3 1/1: 0 0 1; *@4 2/2: 0 0 2");
  const RepeatRow row = Rank().front();
  EXPECT_EQ(row.followed, row.repeats + row.held + row.no_wash);
}

TEST_F(RepeatsTest, OnlyThoseWith72HoursOfObservedFollowUpAreCounted) {
  Add(Watched().Fault(kJam, kNow - 72 * kHour - 60, kNow - 72 * kHour));
  Add(Watched().Fault(kJam, kNow - 72 * kHour - 60, kNow - 72 * kHour + 1));  // too recent
  // Out of sight for an hour, though a repeat was seen: those without one would not be counted.
  Add(HistoryBuilder()
          .Observed(0, 2 * kDay)
          .Observed(2 * kDay + 60, kOpen)
          .ObservedUntil(kNow)
          .Fault(kJam, kDay, kDay + 60)
          .Fault(kJam, kDay + 120, kDay + 180));
  EXPECT_EQ(Ranked({.grouping = RepeatGrouping::kMachine}), "*@1 1/1: 0 0 1; *@2 1/0: 0 0 0; *@3 2/0: 0 0 0");
  const std::vector<RepeatRow> rows = Rank({.grouping = RepeatGrouping::kMachine});
  EXPECT_EQ(rows[1].rate, std::nullopt);
  EXPECT_EQ(rows[1].upper, std::nullopt);
}

TEST_F(RepeatsTest, WhatAPersonSettledWasNotObserved) {
  Add(HistoryBuilder()
          .Observed(0, 2 * kDay)
          .Observed(2 * kDay + 60, kOpen)
          .ObservedUntil(kNow)
          .Fault(kJam, kDay, kDay + 60)
          .Settled(2 * kDay, 2 * kDay + 60, Condition::kUp, 3 * kDay));
  EXPECT_EQ(Ranked(), "1@* 1/0: 0 0 0");
}

TEST_F(RepeatsTest, LosingSightWhileClosedForTheNightDoesNotMatter) {
  Calendar by_day = AlwaysOpen();
  for (auto& day : by_day.hours.front().days) day = {{8 * kHour, 20 * kHour}};
  HistoryBuilder builder;
  for (int day = 0; day < 60; ++day) builder.Observed(day * kDay + 7 * kHour, day * kDay + 21 * kHour);
  Add(builder.Fault(kJam, kDay + 9 * kHour, kDay + 10 * kHour).Wash(kDay + 11 * kHour, kDay + 11 * kHour + 5),
      by_day);
  EXPECT_EQ(Ranked(), "1@* 1/1: 0 1 0");
}

TEST_F(RepeatsTest, ARestorationNobodySawIsNotFollowed) {
  Add(HistoryBuilder()
          .Observed(0, 2 * kDay)
          .Observed(2 * kDay + 60, kOpen)
          .ObservedUntil(kNow)
          .Fault(kJam, kDay, 2 * kDay, SpellEnd::kLostSight)
          .Fault(kLeak, 30 * kDay, kOpen));
  EXPECT_EQ(Ranked(), "");
}

TEST_F(RepeatsTest, WhereNobodyKnowsWhichFaultCameFirstNoClassIsCounted) {
  Add(HistoryBuilder()
          .Observed(0, kDay)
          .Observed(2 * kDay, kOpen)
          .ObservedUntil(kNow)
          .Found(kJam, 2 * kDay, 2 * kDay + 60)
          .Found(kLeak, 2 * kDay, 2 * kDay + 30)
          .Fault(kLeak, 9 * kDay, 9 * kDay + 60));
  EXPECT_EQ(Ranked(), "2@* 1/1: 0 0 1");
}

TEST_F(RepeatsTest, RestoredInTheWindowCounts) {
  Add(Watched()
          .Fault(kJam, kDay, 2 * kDay)
          .Fault(kJam, 3 * kDay, 4 * kDay)
          .Fault(kJam, 20 * kDay, 21 * kDay)
          .Wash(22 * kDay, 22 * kDay + 5));
  EXPECT_EQ(Ranked({}, 2 * kDay, 4 * kDay), "1@* 1/1: 1 0 0");
  EXPECT_EQ(Ranked({}, 4 * kDay, kNow), "1@* 2/2: 0 1 1");
  EXPECT_EQ(Ranked({}, 0, 100 * kDay), "1@* 3/3: 1 1 1");
}

TEST_F(RepeatsTest, CountsInternalFirstOutsUnlessAskedOtherwise) {
  Add(Watched()
          .Fault(kArm, kDay, kDay + 10)
          .Fault(kArm, kDay + 20, kDay + 30)
          .Fault(kJam, 9 * kDay, 9 * kDay + 9));
  EXPECT_EQ(Ranked(), "1@* 1/1: 0 0 1");
  EXPECT_EQ(Ranked({.origin = Origin::kUser}), "3@* 2/2: 1 0 1");
  EXPECT_EQ(Ranked({.origin = std::nullopt}), "3@* 2/2: 1 0 1; 1@* 1/1: 0 0 1");
}

// A repeat of the cohort is an outage marked as one, where all were watched.
TEST_F(RepeatsTest, AgreesWithTheMarksOfTheTimeline) {
  HistoryBuilder builder = Watched();
  for (int i = 0; i < 40; ++i) {
    const int at = kDay + i * 1300;
    builder.Fault(i % 3 == 0 ? kLeak : kJam, at, at + 30 + (i % 7) * 100);
  }
  Add(builder);
  int marked = 0;
  for (const Outage& outage : machines_.front()->outages) marked += outage.repeat ? 1 : 0;
  EXPECT_GT(marked, 5);
  EXPECT_EQ(Rank({.grouping = RepeatGrouping::kAll}).front().repeats, marked);
}

TEST_F(RepeatsTest, RanksByNumberOrByWhatIsSure) {
  // Machine 1: 4 of 12 came back. Machine 2: 3 of 4. Machine 3: none of one.
  HistoryBuilder many = Watched();
  for (int i = 0; i < 8; ++i) many.Fault(kJam, i * 4 * kDay, i * 4 * kDay + 10);
  for (int i = 0; i < 4; ++i) many.Fault(kJam, i * 4 * kDay + 60, i * 4 * kDay + 70);
  Add(many);
  HistoryBuilder few = Watched();
  for (int i = 0; i < 4; ++i) few.Fault(kJam, kDay + i * 60, kDay + i * 60 + 10);
  Add(few);
  Add(Watched().Fault(kJam, kDay, kDay + 10));
  EXPECT_EQ(Ranked({.grouping = RepeatGrouping::kMachine}),
            "*@1 12/12: 4 0 8; *@2 4/4: 3 0 1; *@3 1/1: 0 0 1");
  const std::vector<RepeatRow> sure =
      Rank({.grouping = RepeatGrouping::kMachine, .order = RepeatOrder::kLowerLimit});
  EXPECT_EQ(Text(sure), "*@2 4/4: 3 0 1; *@1 12/12: 4 0 8; *@3 1/1: 0 0 1");
  for (std::size_t i = 0; i < sure.size(); ++i) EXPECT_EQ(sure[i].rank, static_cast<int>(i) + 1);
}

TEST_F(RepeatsTest, ExactLimitsOfTheRate) {
  HistoryBuilder few = Watched();
  for (int i = 0; i < 4; ++i) few.Fault(kJam, kDay + i * 60, kDay + i * 60 + 10);
  Add(few);
  // R 4.2.2: binom.test(3, 4)$conf.int is 0.1941204, 0.9936905; with conf.level = 0.8, 0.3204606, 0.9740037.
  const RepeatRow row = Rank().front();
  EXPECT_DOUBLE_EQ(*row.rate, 0.75);
  EXPECT_NEAR(*row.lower, 0.1941204, 5e-8);
  EXPECT_NEAR(*row.upper, 0.9936905, 5e-8);
  EXPECT_NEAR(*Rank({.confidence = 0.8}).front().lower, 0.3204606, 5e-8);
  // None and all: 1 − 0.025^(1/n) and its mirror image.
  machines_.clear();
  Add(Watched()
          .Fault(kLeak, kDay, kDay + 60)
          .Fault(kJam, kDay + 90, kDay + 100)
          .Fault(kJam, 2 * kDay, kOpen));
  const std::vector<RepeatRow> rows = Rank();
  ASSERT_EQ(rows.size(), 2u);
  EXPECT_EQ(*rows[0].rate, 1);
  EXPECT_NEAR(*rows[0].lower, 0.025, 1e-12);
  EXPECT_EQ(*rows[0].upper, 1);
  EXPECT_EQ(*rows[1].lower, 0);
  EXPECT_NEAR(*rows[1].upper, 0.975, 1e-12);
}

TEST_F(RepeatsTest, RefusesWhatHasNoMeaning) {
  Add(Watched());
  constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
  for (const double confidence : {0.0, 1.0}) {
    EXPECT_EQ(RankRepeats(machines_, Span(0, kNow), At(kNow), {.confidence = confidence}).status().code(),
              kInvalid);
  }
  EXPECT_EQ(RankRepeats(machines_, std::vector<Interval>(), At(kNow)).status().code(), kInvalid);
  EXPECT_EQ(FindSores(machines_, Span(0, kNow), At(kNow), {.gap = absl::ZeroDuration()}).status().code(),
            kInvalid);
  EXPECT_EQ(FindSores(machines_, Span(0, kNow), At(kNow), {.outages_min = 0}).status().code(), kInvalid);
  EXPECT_TRUE(FindSores(machines_, Span(0, kNow), At(kNow), {.outages_min = 1}).ok());
  EXPECT_EQ(Ranked(), "");
}

using SoresTest = RepeatsTest;

TEST_F(SoresTest, AChainGoesOnWhileTheGapIsShort) {
  Add(Watched()
          .Fault(kJam, 0, 2 * kHour)
          .Fault(kJam, 10 * kDay, 10 * kDay + kHour)
          .Wash(11 * kDay, 11 * kDay + 5)
          .Fault(kJam, 20 * kDay, 20 * kDay + kHour)
          // 14 days after the restoration to the minute: another trouble.
          .Fault(kJam, 34 * kDay + kHour, 35 * kDay));
  EXPECT_EQ(Chains(), "1@1 3/2 0-481 4");
  EXPECT_EQ(Chains({.outages_min = 1}), "1@1 3/2 0-481 4; 1@1 1/0 817-840 23");
  EXPECT_EQ(Chains({.gap = absl::Hours(14 * 24) + absl::Minutes(1)}), "1@1 4/2 0-840 27");
  EXPECT_EQ(Chains({.gap = absl::Hours(24)}), "");
}

TEST_F(SoresTest, ClassesAndMachinesAreChainsOfTheirOwnLongestFirst) {
  HistoryBuilder both = Watched();
  for (int i = 0; i < 3; ++i) both.Fault(kJam, i * kDay, i * kDay + kHour);
  for (int i = 0; i < 4; ++i) both.Fault(kLeak, i * 2 * kDay + 3 * kHour, i * 2 * kDay + 4 * kHour);
  Add(both);
  HistoryBuilder other = Watched();
  for (int i = 0; i < 3; ++i) other.Fault(kJam, i * 10 * kDay, i * 10 * kDay + kHour);
  Add(other);
  EXPECT_EQ(Chains(), "1@2 3/1 0-481 3; 2@1 4/1 3-148 4; 1@1 3/1 0-49 3");
}

TEST_F(SoresTest, CountsWholeWhatReachesIntoTheWindow) {
  HistoryBuilder builder = Watched();
  for (int i = 0; i < 5; ++i) builder.Fault(kJam, i * 10 * kDay, i * 10 * kDay + kHour);
  Add(builder);
  EXPECT_EQ(Chains({}, 40 * kDay, kNow), "1@1 5/1 0-961 5");
  EXPECT_EQ(Chains({}, 0, 1), "1@1 5/1 0-961 5");
  EXPECT_EQ(Chains({}, 41 * kDay, kNow), "");
}

TEST_F(SoresTest, OneStillOpenReachesToNowOrToWhereItWasLastSeen) {
  HistoryBuilder builder = Watched();
  for (int i = 0; i < 2; ++i) builder.Fault(kJam, (40 + i) * kDay, (40 + i) * kDay + kHour);
  Add(HistoryBuilder(builder).Fault(kJam, 50 * kDay, kOpen));
  Add(HistoryBuilder(builder).Fault(kJam, 50 * kDay, kOpen).ObservedUntil(55 * kDay));
  EXPECT_EQ(Chains(), "1@1 3/1 960-1440+ 242; 1@2 3/1 960-1320+ 122");
}

TEST_F(SoresTest, LeavesOutWhatOthersBegan) {
  Add(Watched()
          .Fault(kArm, kDay, kDay + 10)
          .Fault(kArm, 2 * kDay, 2 * kDay + 10)
          .Fault(kArm, 3 * kDay, 3 * kDay + 10));
  EXPECT_EQ(Chains(), "");
  EXPECT_EQ(Chains({.origin = Origin::kUser}), "3@1 3/1 24-72 0");
}

}  // namespace
}  // namespace bayward::testing
