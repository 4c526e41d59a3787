#include "server/figures/silent_hours.h"

#include <vector>

#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kHour = 60;
constexpr int kDay = 24 * kHour;
constexpr int kNow = 10 * kDay;  // Monday 2026-06-01 is day 0

MachineWatch Watch(const HistoryBuilder& builder, int now = kNow) {
  const MachineTimeline timeline(builder.Build(), AlwaysOpen(), Span(0, now), false);
  return WatchOf(timeline, Span(0, now));
}

double Hours(const std::vector<SilentHour>& hours) {
  double sum = 0;
  for (const SilentHour& hour : hours) sum += hour.hours;
  return sum;
}

TEST(SilentHoursTest, CountWhatWasUpAndWatchedSinceTheLastSoldWash) {
  const MachineWatch watch = Watch(HistoryBuilder()
                                       .Observed(0, kNow - 10 * kHour)
                                       .Observed(kNow - 8 * kHour, testing::kOpen)
                                       .ObservedUntil(kNow)
                                       .Wash(kNow - 20 * kHour, kNow - 20 * kHour + 5)
                                       .Fault(kJam, kNow - 15 * kHour, kNow - 12 * kHour)
                                       .Fault(kWorn, kNow - 6 * kHour, kNow - 5 * kHour)
                                       .Closed(kNow - 4 * kHour, kNow - 3 * kHour));
  const auto hours = SilentHoursOf(watch, CivilHours(AlwaysOpen(), Span(0, kNow)), {});
  // 20 hours less 3 down, 2 not watched, 1 closed; degraded is up.
  EXPECT_DOUBLE_EQ(Hours(hours), 14);
  EXPECT_EQ(LastSoldStart(watch), At(kNow - 20 * kHour));
}

TEST(SilentHoursTest, StaffWashesAndTestsAreNoTrade) {
  MachineHistory history = HistoryBuilder()
                               .Observed(0, testing::kOpen)
                               .ObservedUntil(kNow)
                               .Wash(kNow - 300, kNow - 295)
                               .Wash(kNow - 200, kNow - 195)
                               .Wash(kNow - 100, kNow - 95)
                               .Build();
  history.cycles[1].sold_as = 3;
  history.cycles[2].sold_as = 4;
  const MachineTimeline timeline(history, AlwaysOpen(), Span(0, kNow), false);
  EXPECT_EQ(LastSoldStart(WatchOf(timeline, Span(0, kNow))), At(kNow - 300));
}

TEST(SilentHoursTest, CellsAndFactorsAreThoseOfTheDay) {
  const MachineWatch watch =
      Watch(HistoryBuilder().Observed(0, testing::kOpen).ObservedUntil(kNow).Wash(kNow - 90, kNow - 85));
  const auto civil = CivilHours(AlwaysOpen(), Span(0, kNow));
  // Wednesday 2026-06-10, from 22:30 to midnight.
  const auto hours = SilentHoursOf(watch, civil, {{civil.back().day, 1.5}});
  ASSERT_EQ(hours.size(), 2U);
  EXPECT_EQ(hours[0].cell, 2 * 24 + 22);
  EXPECT_DOUBLE_EQ(hours[0].hours, 0.5);
  EXPECT_EQ(hours[1].cell, 2 * 24 + 23);
  EXPECT_DOUBLE_EQ(hours[1].day_factor, 1.5);
  EXPECT_DOUBLE_EQ(SilentHoursOf(watch, civil, {{civil.back().day - 1, 1.5}})[0].day_factor, 1);
}

TEST(SilentHoursTest, WithoutAnyWashAllThatWasWatched) {
  const MachineWatch watch = Watch(HistoryBuilder().Observed(kDay, testing::kOpen).ObservedUntil(kNow));
  EXPECT_EQ(LastSoldStart(watch), absl::InfinitePast());
  EXPECT_DOUBLE_EQ(Hours(SilentHoursOf(watch, CivilHours(AlwaysOpen(), Span(0, kNow)), {})), 9 * 24);
}

TEST(SilentHoursTest, UpAtEndAllowsForWhatIsStillOnItsWay) {
  const auto up = [](const HistoryBuilder& builder) { return UpAtEnd(Watch(builder), At(kNow)); };
  const auto watched = [](int until) {
    HistoryBuilder builder;
    builder.Observed(0, testing::kOpen).ObservedUntil(until);
    return builder;
  };
  EXPECT_TRUE(up(watched(kNow)));
  EXPECT_TRUE(up(watched(kNow - 5)));
  EXPECT_FALSE(up(watched(kNow - 6)));
  EXPECT_FALSE(up(watched(kNow).Fault(kJam, kNow - 2, testing::kOpen)));
  EXPECT_FALSE(up(watched(kNow).Closed(kNow - 2, testing::kOpen)));
  EXPECT_FALSE(up(HistoryBuilder()));
}

TEST(SilentHoursTest, OutsideRequiredTimeNothingIsUp) {
  Calendar calendar = AlwaysOpen();
  for (auto& day : calendar.hours.front().days) day = {{8 * kHour, 24 * kHour - 2}};
  const MachineTimeline timeline(HistoryBuilder().Observed(0, testing::kOpen).ObservedUntil(kNow).Build(), calendar,
                                 Span(0, kNow), false);
  EXPECT_FALSE(UpAtEnd(WatchOf(timeline, Span(0, kNow)), At(kNow)));
}

TEST(SilentHoursTest, TheSilenceTeachesNothing) {
  const MachineWatch watch =
      Watch(HistoryBuilder().Observed(0, testing::kOpen).ObservedUntil(kNow).Wash(4 * kDay + 90, 4 * kDay + 95));
  const auto civil = CivilHours(AlwaysOpen(), Span(0, kNow));
  const MachineWatch* const machines[] = {&watch};
  const auto rows = ComputeDemandHours(civil, machines, {});
  ASSERT_EQ(rows[0].size(), 240U);
  const auto taught = RowsUntilLastSold(rows[0], watch, civil);
  ASSERT_EQ(taught.size(), 4U * 24 + 2);
  EXPECT_EQ(taught.back().starts, 1);
  const MachineWatch never = Watch(HistoryBuilder().Observed(0, testing::kOpen).ObservedUntil(kNow));
  EXPECT_TRUE(RowsUntilLastSold(rows[0], never, civil).empty());
}

TEST(SilentHoursTest, UpHoursAWeekAreOverTheTimeSinceItWasFirstUp) {
  const auto per_week = [](const HistoryBuilder& builder, int from) {
    return UpHoursPerWeek(Watch(builder, 28 * kDay), Span(from, 28 * kDay));
  };
  HistoryBuilder all;
  all.Observed(0, testing::kOpen).ObservedUntil(28 * kDay);
  EXPECT_DOUBLE_EQ(per_week(all, 0), 168);
  HistoryBuilder half;
  half.Observed(14 * kDay, testing::kOpen).ObservedUntil(28 * kDay).Fault(kJam, 20 * kDay, 22 * kDay);
  EXPECT_DOUBLE_EQ(per_week(half, 0), 6 * 24);
  HistoryBuilder young;
  young.Observed(27 * kDay, testing::kOpen).ObservedUntil(28 * kDay);
  EXPECT_DOUBLE_EQ(per_week(young, 0), 24);
  EXPECT_EQ(per_week(HistoryBuilder(), 0), 0);
}

}  // namespace
}  // namespace bayward::testing
