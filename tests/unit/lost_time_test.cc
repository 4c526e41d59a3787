#include "server/figures/lost_time.h"

#include <memory>
#include <random>

#include "gtest/gtest.h"
#include "server/figures/ranking.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kEnd = 5 * 1440;

std::unique_ptr<MachineTimeline> Timeline(const HistoryBuilder& history, int to = kEnd) {
  return std::make_unique<MachineTimeline>(history.Build(), AlwaysOpen(), Span(0, to), false);
}

HistoryBuilder Watched(int until = kEnd) { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(until); }

TEST(LostTimeTest, DownTimeBelongsToTheFaultThatBeganIt) {
  const auto timeline = Timeline(HistoryBuilder()
                                     .Observed(0, 1000)
                                     .Observed(1200, kEnd)
                                     .ObservedUntil(kEnd)
                                     .Fault(kJam, 100, 160)
                                     .Fault(kLeak, 140, 200)
                                     .Fault(kMains, 300, 360)
                                     .Found(kJam, 1200, 1260)
                                     .Found(kLeak, 1200, 1230)
                                     .Settled(1050, 1100, Condition::kDown, 2000));
  const LostTime lost = LostTimeOf(*timeline, Span(0, kEnd));
  EXPECT_EQ(lost.down, (IntervalSet{Span(100, 200), Span(1050, 1100), Span(1200, 1260)}));
  EXPECT_EQ(lost.withheld, IntervalSet{Span(300, 360)});
  ASSERT_EQ(lost.down_by_class.size(), 3U);
  EXPECT_EQ(lost.down_by_class.at(kJam), IntervalSet{Span(100, 200)});
  EXPECT_EQ(lost.down_by_class.at(kOrderNotObserved), IntervalSet{Span(1200, 1260)});
  EXPECT_EQ(lost.down_by_class.at(kSettledAsDown), IntervalSet{Span(1050, 1100)});
  EXPECT_EQ(LostTimeOf(*timeline, Span(150, 310)).down, IntervalSet{Span(150, 200)});
}

TEST(LostTimeTest, ClassesAreTheRowsOfTheRanking) {
  std::mt19937_64 random(3);
  const auto any = [&](int low, int high) { return std::uniform_int_distribution<int>(low, high)(random); };
  int rows = 0;
  for (int n = 0; n < 100; ++n) {
    HistoryBuilder builder;
    const int lost = any(0, kEnd);
    builder.Observed(0, lost).Observed(lost + any(1, 500), kOpen).ObservedUntil(kEnd);
    for (int k = any(1, 12); k > 0; --k) {
      const int raised = any(-100, kEnd);
      builder.Fault(any(kJam, kWorn), raised, raised + any(1, 900));
    }
    builder.Settled(lost, lost + any(1, 300), Condition::kDown, kEnd);
    const auto timeline = Timeline(builder);
    const Interval window = Span(any(0, 2000), any(3000, kEnd));
    const LostTime told = LostTimeOf(*timeline, window);
    const MachineTimeline* machines[] = {timeline.get()};
    IntervalSet all;
    absl::Duration sum;
    for (const auto& [fault_class, down] : told.down_by_class) {
      all = all.Union(down);
      sum += down.length();
    }
    EXPECT_EQ(all, told.down);
    EXPECT_EQ(sum, told.down.length());  // disjoint
    EXPECT_EQ(sum, timeline->DownWithin(window));
    for (const RankingRow& row : RankFaults(machines, window, RankBy::kFirstOut)) {
      const auto found = told.down_by_class.find(row.fault_class);
      EXPECT_EQ(found == told.down_by_class.end() ? absl::ZeroDuration() : found->second.length(), row.first_out);
      ++rows;
    }
  }
  EXPECT_GT(rows, 200);
}

TEST(NetTimeTest, EachLossAndTwoDaysAfterItOfAllMachines) {
  const IntervalSet stopped[] = {{Span(100, 200), Span(5000, 5100)}, {Span(150, 300)}};
  EXPECT_EQ(NetTime(stopped, Span(0, 10'000), At(10'000)),
            (IntervalSet{Span(100, 300 + 2880), Span(5000, 5100 + 2880)}));
  EXPECT_TRUE(NetTime(stopped, Span(8000, 9000), At(10'000)).empty());
}

TEST(NetTimeTest, WhoComesBackAfterTheWindowCountsUntilTheNextLossAndUntilNow) {
  const IntervalSet stopped[] = {{Span(100, 200), Span(1500, 1600)}};
  EXPECT_EQ(NetTime(stopped, Span(0, 1440), At(1480)), IntervalSet{Span(100, 1480)});
  EXPECT_EQ(NetTime(stopped, Span(0, 1440), At(9000)), IntervalSet{Span(100, 1500)});
  // A loss that goes on beyond the window ends with it, and what follows is of the window after.
  EXPECT_EQ(NetTime(stopped, Span(0, 150), At(9000)), IntervalSet{Span(100, 150)});
  EXPECT_EQ(NetTime(stopped, Span(150, 1440), At(9000)), IntervalSet{Span(150, 1500)});
  // A loss before the window is of the window before.
  EXPECT_EQ(NetTime(stopped, Span(300, 1400), At(9000)), IntervalSet());
}

TEST(StoppedAtEndTest, DownSinceTheOutageBeganWithheldSinceItsCause) {
  const auto down = StoppedAtEnd(*Timeline(Watched().Fault(kJam, 7000, kOpen)), At(kEnd));
  ASSERT_TRUE(down.has_value());
  EXPECT_EQ(down->condition, Condition::kDown);
  EXPECT_EQ(down->since, At(7000));
  const auto withheld = StoppedAtEnd(*Timeline(Watched().Fault(kMains, 7100, kOpen)), At(kEnd));
  ASSERT_TRUE(withheld.has_value());
  EXPECT_EQ(withheld->condition, Condition::kWithheld);
  EXPECT_EQ(withheld->since, At(7100));
  EXPECT_FALSE(StoppedAtEnd(*Timeline(Watched().Fault(kJam, 7000, 7100)), At(kEnd)).has_value());
}

TEST(StoppedAtEndTest, WhatIsAwaitedForLongIsNotKnown) {
  EXPECT_TRUE(StoppedAtEnd(*Timeline(Watched(kEnd - 10).Fault(kJam, 7000, kOpen)), At(kEnd)).has_value());
  EXPECT_FALSE(StoppedAtEnd(*Timeline(Watched(kEnd - 20).Fault(kJam, 7000, kOpen)), At(kEnd)).has_value());
}

TEST(StoppedAtEndTest, AMachineThatNeedNotWashNowLosesNothing) {
  Calendar calendar = AlwaysOpen();
  for (auto& day : calendar.hours[0].days) day = {{480, 1200}};
  const MachineTimeline closed(Watched().Fault(kJam, 7000, kOpen).Build(), calendar, Span(0, kEnd), false);
  EXPECT_FALSE(StoppedAtEnd(closed, At(kEnd)).has_value());
  // Through the closed night it is one outage.
  const MachineTimeline open(Watched().Fault(kJam, 1100, kOpen).Build(), calendar, Span(0, 2500), false);
  const auto down = StoppedAtEnd(open, At(2500));
  ASSERT_TRUE(down.has_value());
  EXPECT_EQ(down->since, At(1100));
}

}  // namespace
}  // namespace bayward::testing
