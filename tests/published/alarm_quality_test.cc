// Benchmarks of alarm management: second-hand, a summary ("Alarm performance benchmarks") of
// ANSI/ISA-18.2-2016, IEC 62682:2014 and EEMUA 191. The streams are constructed, plain arithmetic.
#include "server/figures/alarm_quality.h"

#include <vector>

#include "gtest/gtest.h"

namespace bayward {
namespace {

const absl::Time kStart = absl::UnixEpoch();
const Interval kMonth = {kStart, kStart + absl::Hours(24 * 30)};

AnnouncedAlarm Alarm(absl::Time at, int fault_class = 1, AlarmPriority priority = AlarmPriority::kLow) {
  return {.alarm = {.machine = {1}, .fault_class = fault_class},
          .announced_at = at,
          .cleared_at = at + absl::Minutes(30),
          .priority = priority};
}

// Evenly over 30 days.
AlarmQuality Even(int per_day) {
  std::vector<AnnouncedAlarm> alarms;
  for (int i = 0; i < 30 * per_day; ++i)
    alarms.push_back(Alarm(kStart + absl::Hours(24) / per_day * i, i % 200));
  const auto quality = ComputeAlarmQuality({.announced = alarms}, kMonth);
  EXPECT_TRUE(quality.ok()) << quality.status();
  return quality.value_or(AlarmQuality());
}

// About 150 alarms a day, 6 an hour, 1 in 10 minutes are the target; 300, 12 and 2 the most that can be
// handled. Arithmetic: 150 a day are 6.25 an hour and 1.0417 in 10 minutes, so they meet the first only.
TEST(AlarmQualityPublishedTest, EachBenchmarkInItsOwnUnit) {
  AlarmQuality quality = Even(150);
  EXPECT_DOUBLE_EQ(quality.per_day.rate, 150);
  EXPECT_DOUBLE_EQ(quality.per_hour.rate, 6.25);
  EXPECT_NEAR(quality.per_ten_minutes.rate, 1.0417, 5e-5);
  EXPECT_EQ(quality.per_day.verdict, RateVerdict::kWithinTarget);
  EXPECT_EQ(quality.per_hour.verdict, RateVerdict::kManageable);
  EXPECT_EQ(quality.per_ten_minutes.verdict, RateVerdict::kManageable);

  quality = Even(300);
  EXPECT_DOUBLE_EQ(quality.per_hour.rate, 12.5);
  EXPECT_NEAR(quality.per_ten_minutes.rate, 2.0833, 5e-5);
  EXPECT_EQ(quality.per_day.verdict, RateVerdict::kManageable);
  EXPECT_EQ(quality.per_hour.verdict, RateVerdict::kTooMany);
  EXPECT_EQ(quality.per_ten_minutes.verdict, RateVerdict::kTooMany);

  quality = Even(144);  // exactly 1 in 10 minutes
  EXPECT_DOUBLE_EQ(quality.per_ten_minutes.rate, 1);
  EXPECT_EQ(quality.per_hour.rate, 6);
  EXPECT_EQ(quality.per_ten_minutes.verdict, RateVerdict::kWithinTarget);
  EXPECT_EQ(quality.per_hour.verdict, RateVerdict::kWithinTarget);
}

TEST(AlarmQualityPublishedTest, Benchmarks) {
  EXPECT_EQ(kAlarmsPerDay.target, 150);
  EXPECT_EQ(kAlarmsPerDay.manageable, 300);
  EXPECT_EQ(kPeriodsAboveShareMax, 0.01);
  EXPECT_EQ(kStaleBelow, 5);
  EXPECT_EQ(kPriorityShares[2], 0.80);
  EXPECT_EQ(kPriorityShares[1], 0.15);
  EXPECT_EQ(kPriorityShares[0], 0.05);
  EXPECT_EQ(kAlarmDaysMin, 30);
}

// More than 10 in 10 minutes: ten are no flood, eleven are. The end, fewer than 5, is a value from memory.
TEST(AlarmQualityPublishedTest, ElevenInTenMinutesAreAFlood) {
  for (const int count : {10, 11}) {
    std::vector<AnnouncedAlarm> alarms;
    for (int i = 0; i < count; ++i) alarms.push_back(Alarm(kStart + absl::Hours(1) + absl::Seconds(10 * i)));
    const auto quality = ComputeAlarmQuality({.announced = alarms}, kMonth);
    ASSERT_TRUE(quality.ok());
    EXPECT_EQ(quality->periods, 4320);
    EXPECT_EQ(quality->periods_above, count == 11 ? 1 : 0);
    ASSERT_EQ(quality->floods.size(), count == 11 ? 1U : 0U);
    if (count == 10) continue;
    // From the eleventh until only four are less than 10 minutes old: the seventh was at 60 s.
    EXPECT_EQ(quality->floods[0].interval.start, kStart + absl::Hours(1) + absl::Seconds(100));
    EXPECT_EQ(quality->floods[0].interval.end, kStart + absl::Hours(1) + absl::Seconds(660));
  }
}

// Three raises of one alarm within 60 seconds chatter (a common operationalisation, second-hand).
TEST(AlarmQualityPublishedTest, ThreeRaisesInAMinuteChatter) {
  for (const int apart : {30, 31}) {
    std::vector<RawRaise> raises;
    for (int i = 0; i < 3; ++i) raises.push_back({{{1}, 5}, kStart + absl::Seconds(apart * i)});
    const auto quality = ComputeAlarmQuality({.raises = raises}, kMonth);
    ASSERT_TRUE(quality.ok());
    EXPECT_EQ(quality->chattering.size(), apart == 30 ? 1U : 0U);
  }
}

}  // namespace
}  // namespace bayward
