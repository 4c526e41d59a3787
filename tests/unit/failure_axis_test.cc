#include "server/figures/failure_axis.h"

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/figures/age_at_start.h"
#include "server/figures/failure_ages.h"
#include "server/figures/wash_clock.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

using ::testing::HasSubstr;

constexpr int kHour = 60;
constexpr int kDay = 24 * kHour;
constexpr int kEnd = 28 * kDay;

// A wash every hour from `from` on, half past, but for the hours in [but_from, but_to).
HistoryBuilder& WashHourly(HistoryBuilder& builder, int from, int to, int but_from = 0, int but_to = 0) {
  for (int at = from + 30; at < to; at += kHour) {
    if (at < but_from || at >= but_to) builder.Wash(at, at + 5);
  }
  return builder;
}

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(kEnd); }

MachineTimeline Timeline(const HistoryBuilder& builder) {
  return MachineTimeline(builder.Build(), AlwaysOpen(), Span(0, kEnd), false);
}

TEST(WashClockTest, CountsWashesByTheirStart) {
  const MachineTimeline timeline =
      Timeline(Watched().Wash(10, 20).Wash(30, 40, CycleOutcome::kAborted).Wash(95, 130));
  const WashClock clock(timeline, Span(0, 100));
  EXPECT_DOUBLE_EQ(clock.StartsAt(At(9)), 0);
  EXPECT_DOUBLE_EQ(clock.StartsAt(At(10)), 1);
  EXPECT_DOUBLE_EQ(clock.AgeAt(At(35)), 2.5);
  EXPECT_DOUBLE_EQ(clock.starts(), 3);
  EXPECT_DOUBLE_EQ(WashClock(timeline, Span(10, 95)).StartsAt(At(10)), 0);
  EXPECT_DOUBLE_EQ(WashClock(timeline, Span(10, 95)).starts(), 2);
}

TEST(WashClockTest, AWashWhoseStartWasNotSeenCountsAtItsFinish) {
  MachineHistory history = Watched().Wash(10, 20).Build();
  history.cycles.front().started_at = absl::InfinitePast();
  const MachineTimeline timeline(history, AlwaysOpen(), Span(0, kEnd), false);
  EXPECT_DOUBLE_EQ(WashClock(timeline, Span(0, 100)).StartsAt(At(15)), 0);
  EXPECT_DOUBLE_EQ(WashClock(timeline, Span(0, 100)).StartsAt(At(20)), 1);
}

TEST(FailureAxisTest, WashStartsWhereNearlyAllWashesWereSeen) {
  HistoryBuilder builder = Watched();
  const WashesSeen seen = CountWashesSeen(Timeline(WashHourly(builder, 0, kEnd)), Span(0, kEnd));
  EXPECT_DOUBLE_EQ(seen.starts, 28 * 24);
  EXPECT_DOUBLE_EQ(seen.missed, 0);
  EXPECT_EQ(ChooseAxis(seen), FailureAxis::kWashStarts);
  EXPECT_EQ(AxisReason(seen), "100.0 % of the washes were seen, at least 95 % needed");
}

TEST(FailureAxisTest, MissedWashesGoByTheMachinesOwnPaceAtThatHour) {
  // Busy from 8 to 20, a wash each hour; out of sight for two nights costs nothing, for two days 24 washes of 336.
  const auto build = [](int lost_from) {
    HistoryBuilder builder = HistoryBuilder().ObservedUntil(kEnd);
    builder.Observed(0, 7 * kDay + lost_from);
    builder.Observed(7 * kDay + lost_from + 12 * kHour, 8 * kDay + lost_from);
    builder.Observed(8 * kDay + lost_from + 12 * kHour, kOpen);
    for (int day = 0; day < 28; ++day) {
      const bool lost = lost_from == 8 * kHour && (day == 7 || day == 8);
      if (!lost) WashHourly(builder, day * kDay + 8 * kHour, day * kDay + 20 * kHour);
    }
    return CountWashesSeen(Timeline(builder), Span(0, kEnd));
  };
  const WashesSeen nights = build(20 * kHour);
  EXPECT_DOUBLE_EQ(nights.starts, 336);
  EXPECT_DOUBLE_EQ(nights.missed, 0);
  const WashesSeen days = build(8 * kHour);
  EXPECT_DOUBLE_EQ(days.starts, 312);
  EXPECT_NEAR(days.missed, 24, 1e-9);
  EXPECT_EQ(ChooseAxis(days), FailureAxis::kUpHours);
  EXPECT_THAT(AxisReason(days), HasSubstr("92.9 % of the washes were seen, less than the 95 % needed"));
}

TEST(FailureAxisTest, WhatPeopleSettledWasNotSeen) {
  const auto missed = [](Condition as) {
    HistoryBuilder builder = HistoryBuilder().Observed(0, 7 * kDay).Observed(8 * kDay, kOpen).ObservedUntil(kEnd);
    builder.Settled(7 * kDay, 8 * kDay, as, kEnd - 1);
    return CountWashesSeen(Timeline(WashHourly(builder, 0, kEnd, 7 * kDay, 8 * kDay)), Span(0, kEnd)).missed;
  };
  EXPECT_NEAR(missed(Condition::kUp), 24, 1e-9);
  EXPECT_DOUBLE_EQ(missed(Condition::kDown), 0);
}

TEST(FailureAxisTest, AMachineThatNeverReportsAWashRulesThemOut) {
  HistoryBuilder washing = Watched();
  WashesSeen seen = CountWashesSeen(Timeline(WashHourly(washing, 0, kEnd)), Span(0, kEnd));
  seen += CountWashesSeen(Timeline(Watched()), Span(0, kEnd));
  EXPECT_EQ(ChooseAxis(seen), FailureAxis::kUpHours);
  EXPECT_EQ(AxisReason(seen), "1 of the machines were up without any wash on record");
  // One that nobody ever saw says nothing.
  EXPECT_EQ(CountWashesSeen(Timeline(HistoryBuilder()), Span(0, kEnd)).unreported, 0);
  EXPECT_EQ(ChooseAxis(WashesSeen()), FailureAxis::kUpHours);
}

TEST(FailureAxisTest, UpTimeLongBeforeTheFirstWashOnRecordIsNotSeen) {
  HistoryBuilder builder = Watched();
  const WashesSeen seen = CountWashesSeen(Timeline(WashHourly(builder, 10 * kDay, kEnd)), Span(0, kEnd));
  // Up to a day before the first wash: 9 days at a wash an hour, where each hour of the week saw 2 or 3 of them.
  EXPECT_NEAR(seen.missed, 9 * 24, 9 * 24 * 0.2);
  EXPECT_EQ(ChooseAxis(seen), FailureAxis::kUpHours);
}

TEST(FailureAgesTest, OnUpHoursAnUnseenStretchAgesAndIsNotAtRisk) {
  // Down 1 h of 9 in sight, so that 2 h out of sight are 2·8/9 up hours.
  HistoryBuilder builder = HistoryBuilder().Observed(0, 4 * kHour).Observed(6 * kHour, kOpen).ObservedUntil(kEnd);
  builder.Fault(kJam, 2 * kHour, 3 * kHour).Wash(200, 210).Fault(kJam, 8 * kHour, 8 * kHour);
  builder.Fault(kLeak, 9 * kHour, 9 * kHour + 1).Found(kJam, 6 * kHour, 6 * kHour);
  const FailureAges ages = AgesOfFailures(Timeline(builder), Span(0, 11 * kHour), FailureAxis::kUpHours);
  const double share = (8 - 1.0 / 60) / 9;
  ASSERT_EQ(ages.unit.at_risk.size(), 2u);
  EXPECT_DOUBLE_EQ(ages.unit.at_risk[0].from, 0);
  EXPECT_DOUBLE_EQ(ages.unit.at_risk[0].to, 3);
  EXPECT_NEAR(ages.unit.at_risk[1].from, 3 + 2 * share, 1e-9);
  EXPECT_NEAR(ages.unit.at_risk[1].to, 3 + 2 * share + 5 - 1.0 / 60, 1e-9);
  ASSERT_EQ(ages.unit.events.size(), 2u);
  EXPECT_DOUBLE_EQ(ages.unit.events[0], 2);
  EXPECT_NEAR(ages.unit.events[1], 3 + 2 * share + 3, 1e-9);
  EXPECT_EQ(ages.without_span, 0);
}

TEST(FailureAgesTest, OnWashStartsAFailureStandsBetweenTwoStarts) {
  HistoryBuilder builder = Watched();
  builder.Fault(kJam, 10, 20).Wash(30, 35).Wash(60, 65).Fault(kLeak, 62, 70).Wash(80, 85);
  const FailureAges ages = AgesOfFailures(Timeline(builder), Span(0, 100), FailureAxis::kWashStarts);
  ASSERT_EQ(ages.unit.at_risk.size(), 1u);
  EXPECT_DOUBLE_EQ(ages.unit.at_risk[0].from, 0);
  EXPECT_DOUBLE_EQ(ages.unit.at_risk[0].to, 3.5);
  EXPECT_EQ(ages.unit.events, (std::vector<double>{0.5, 2.5}));
}

TEST(FailureAgesTest, AMachineThatIsDownFromTheStartHasNoAgeYet) {
  const MachineTimeline timeline = Timeline(Watched().Fault(kJam, 100, 5000));
  const FailureAges ages = AgesOfFailures(timeline, Span(100, 1000), FailureAxis::kUpHours);
  EXPECT_TRUE(ages.unit.at_risk.empty());
  EXPECT_EQ(ages.without_span, 1);
  // Once it has been up, its failure at the very start has the least age.
  const FailureAges later = AgesOfFailures(timeline, Span(100, 6000), FailureAxis::kUpHours);
  ASSERT_EQ(later.unit.events.size(), 1u);
  EXPECT_GT(later.unit.events[0], 0);
  EXPECT_LT(later.unit.events[0], 1e-9);
}

TEST(FailureAgesTest, AMachineNeverInSightIsNotAtRisk) {
  for (const FailureAxis axis : {FailureAxis::kUpHours, FailureAxis::kWashStarts}) {
    EXPECT_TRUE(AgesOfFailures(Timeline(HistoryBuilder()), Span(0, 1000), axis).unit.at_risk.empty());
  }
}

TEST(AgeAtStartTest, IsWhatWasSeenAndTheRestAtTheWindowsPace) {
  // Commissioned at 0, watched from day 4 on; down half of days 4 to 8, never in the window from day 8.
  HistoryBuilder builder = HistoryBuilder().Observed(4 * kDay, kOpen).ObservedUntil(kEnd);
  builder.Fault(kJam, 5 * kDay, 7 * kDay);
  const MachineTimeline timeline = Timeline(builder);
  const auto age = FindAgeAtStart(timeline, Span(8 * kDay, kEnd), FailureAxis::kUpHours, At(0));
  ASSERT_TRUE(age.has_value());
  EXPECT_NEAR(age->age, 4 * 24 + 2 * 24, 1e-9);
  EXPECT_DOUBLE_EQ(age->seen_share, 0.5);
  EXPECT_DOUBLE_EQ(FindAgeAtStart(timeline, Span(8 * kDay, kEnd), FailureAxis::kUpHours, At(8 * kDay))->age, 0);
  EXPECT_FALSE(FindAgeAtStart(timeline, Span(kDay, 2 * kDay), FailureAxis::kUpHours, At(0)).has_value());
}

}  // namespace
}  // namespace bayward::testing
