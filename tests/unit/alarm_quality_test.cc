#include "server/figures/alarm_quality.h"

#include <algorithm>
#include <numeric>
#include <random>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
const Interval kMonth = {absl::UnixEpoch(), absl::UnixEpoch() + absl::Hours(24 * 30)};

absl::Time At(double seconds) { return absl::UnixEpoch() + absl::Seconds(seconds); }
absl::Time Hour(double hours) { return At(3600 * hours); }

AnnouncedAlarm Alarm(absl::Time from, absl::Time to, int machine = 1, int fault_class = 1,
                     AlarmPriority priority = AlarmPriority::kLow) {
  return {.alarm = {{machine}, fault_class}, .announced_at = from, .cleared_at = to, .priority = priority};
}

AlarmQuality Compute(const DeskAlarms& desk, const Interval& window = kMonth,
                     absl::Duration fleeting_below = absl::Seconds(60)) {
  const auto quality = ComputeAlarmQuality(desk, window, fleeting_below);
  EXPECT_TRUE(quality.ok()) << quality.status();
  return quality.value_or(AlarmQuality());
}

TEST(AlarmQualityTest, AQuietDesk) {
  const AlarmQuality quality = Compute({});
  EXPECT_EQ(quality.alarms, 0);
  EXPECT_EQ(quality.days, 30);
  EXPECT_EQ(quality.per_day.verdict, RateVerdict::kWithinTarget);
  EXPECT_EQ(quality.top_share, 0);
  EXPECT_TRUE(quality.floods.empty());
  EXPECT_EQ(quality.stale_peak, 0);
  EXPECT_TRUE(AlarmQualityCautions(quality).empty());
}

TEST(AlarmQualityTest, FewerThanThirtyDaysAreNotJudged) {
  const AlarmQuality quality = Compute({}, {Hour(0), Hour(24 * 30) - absl::Seconds(1)});
  EXPECT_TRUE(quality.too_short);
  EXPECT_EQ(quality.per_hour.verdict, RateVerdict::kTooShort);
  EXPECT_STREQ(RateVerdictWords(quality.per_hour.verdict), "fewer than 30 days: too short to judge");
  EXPECT_THAT(AlarmQualityCautions(quality), ElementsAre(HasSubstr("fewer than 30 days")));
  EXPECT_EQ(quality.stale_by_day.size(), 30U);
  EXPECT_EQ(quality.periods, 4319);
}

TEST(AlarmQualityTest, PrioritiesAndTheMostFrequent) {
  std::vector<AnnouncedAlarm> alarms;
  for (int fault_class = 1; fault_class <= 12; ++fault_class) {
    for (int i = 0; i <= fault_class; ++i) {
      const AlarmPriority priority = fault_class == 1   ? AlarmPriority::kHigh
                                     : fault_class == 2 ? AlarmPriority::kMedium
                                                        : AlarmPriority::kLow;
      alarms.push_back(Alarm(Hour(i), Hour(i + 1), 1, fault_class, priority));
    }
  }
  alarms.push_back(Alarm(Hour(24 * 30), Hour(24 * 30 + 1)));  // after the window
  const AlarmQuality quality = Compute({.announced = alarms});
  EXPECT_EQ(quality.alarms, 90);  // 2 + 3 + … + 13
  EXPECT_EQ(quality.distinct, 12);
  ASSERT_EQ(quality.top.size(), 10U);
  EXPECT_EQ(quality.top[0].alarm.fault_class, 12);
  EXPECT_EQ(quality.top[0].count, 13);
  EXPECT_DOUBLE_EQ(quality.top_share, 85.0 / 90);
  EXPECT_THAT(quality.priority_share, ElementsAre(2.0 / 90, 3.0 / 90, 85.0 / 90));
  EXPECT_TRUE(AlarmQualityCautions(quality).empty());
  EXPECT_THAT(AlarmQualityCautions(Compute({.announced = std::span(alarms).first(5)})),
              ElementsAre(HasSubstr("only 2 different alarms")));
}

TEST(AlarmQualityTest, FleetingIsBelowTheSitesBound) {
  const std::vector<AnnouncedAlarm> alarms = {Alarm(At(0), At(5)), Alarm(At(100), At(159.9)),
                                              Alarm(At(300), At(360)),
                                              Alarm(At(400), absl::InfiniteFuture())};
  EXPECT_EQ(Compute({.announced = alarms}).fleeting, 2);
  EXPECT_EQ(Compute({.announced = alarms}, kMonth, absl::Seconds(5)).fleeting, 0);
  EXPECT_EQ(Compute({.announced = alarms}, kMonth, absl::Seconds(61)).fleeting, 3);
}

TEST(AlarmQualityTest, ChatteringJoinsSharedRaisesAndKeepsAlarmsApart) {
  std::vector<RawRaise> raises;
  const auto raise = [&](int machine, int fault_class, std::initializer_list<double> seconds) {
    for (const double at : seconds) raises.push_back({{{machine}, fault_class}, At(at)});
  };
  raise(1, 1, {200, 0, 20, 40, 70, 90});  // five in one episode, the one at 200 alone
  raise(1, 2, {0, 30, 61, 92});  // never three in a minute
  raise(2, 1, {10, 50});  // another machine
  raise(3, 1, {0, 1, 2, 500, 501, 502});  // two episodes
  const AlarmQuality quality = Compute({.raises = raises});
  ASSERT_EQ(quality.chattering.size(), 2U);
  EXPECT_EQ(quality.chattering[0].alarm, (AlarmKey{{3}, 1}));
  EXPECT_EQ(quality.chattering[0].episodes, 2);
  EXPECT_EQ(quality.chattering[0].raises, 6);
  EXPECT_EQ(quality.chattering[1].alarm, (AlarmKey{{1}, 1}));
  EXPECT_EQ(quality.chattering[1].episodes, 1);
  EXPECT_EQ(quality.chattering[1].raises, 5);
}

TEST(AlarmQualityTest, StaleAfterADayUnlessOutOfService) {
  const std::vector<AnnouncedAlarm> alarms = {
      Alarm(Hour(1), Hour(25)),  // a day, not more
      Alarm(Hour(1), Hour(49), 1, 2),  // stale on day 1 from its hour 1, and on day 2
      Alarm(Hour(-100), Hour(2), 1, 3),  // before the window, stale on day 0
      Alarm(Hour(1), absl::InfiniteFuture(), 2, 1),  // machine 2 is out of service until day 28
  };
  std::vector<OutOfService> away = {{{2}, {Hour(20), Hour(24 * 28)}}};
  AlarmQuality quality = Compute({.announced = alarms, .out_of_service = away});
  std::vector<int> expected(30, 0);
  expected[0] = expected[1] = expected[2] = 1;
  expected[28] = expected[29] = 1;
  EXPECT_EQ(quality.stale_by_day, expected);
  EXPECT_EQ(quality.stale_peak, 1);
  // In service for an hour of day 5, twice: counts once that day.
  away = {{{2}, {Hour(20), Hour(124)}}, {{2}, {Hour(125), Hour(130)}}, {{2}, {Hour(131), Hour(900)}}};
  quality = Compute({.announced = alarms, .out_of_service = away});
  expected[28] = expected[29] = 0;
  expected[5] = 1;
  EXPECT_EQ(quality.stale_by_day, expected);
}

TEST(AlarmQualityTest, AFloodGoesOnFromBeforeTheWindow) {
  std::vector<AnnouncedAlarm> alarms;
  for (int i = 0; i < 12; ++i) alarms.push_back(Alarm(At(10 * i - 60), At(1000)));
  const AlarmQuality quality = Compute({.announced = alarms});
  ASSERT_EQ(quality.floods.size(), 1U);
  EXPECT_EQ(quality.floods[0].interval, (Interval{At(40), At(610)}));
  EXPECT_EQ(quality.alarms, 6);
  EXPECT_EQ(quality.floods[0].alarms, 2);
  EXPECT_EQ(quality.periods_above, 0);  // six in the first fixed period
  // Begun before and cut to the window.
  const AlarmQuality later = Compute({.announced = alarms}, {At(100), At(100) + absl::Hours(24 * 30)});
  ASSERT_EQ(later.floods.size(), 1U);
  EXPECT_EQ(later.floods[0].interval, (Interval{At(100), At(610)}));
  EXPECT_EQ(later.floods[0].alarms, 0);
}

// Against the definition, second by second: the count in (t − 600 s, t] starts a flood above 10, ends it
// below 5.
TEST(AlarmQualityTest, FloodsAgreeWithASecondBySecondCount) {
  std::mt19937_64 random(9);
  int floods = 0;
  for (int round = 0; round < 60; ++round) {
    constexpr int kSeconds = 6 * 3600;
    std::vector<AnnouncedAlarm> alarms;
    std::vector<int> at(kSeconds, 0);
    double busy = 1;
    for (int second = 0; second < kSeconds; ++second) {
      if (random() % 900 == 0) busy = static_cast<double>(random() % 30) / 10;
      const int count = static_cast<int>(std::poisson_distribution<int>(busy * 7 / 600)(random));
      at[static_cast<std::size_t>(second)] = count;
      for (int i = 0; i < count; ++i) alarms.push_back(Alarm(At(second), At(second + 5)));
    }
    std::shuffle(alarms.begin(), alarms.end(), random);
    const Interval window = {At(600), At(kSeconds)};
    int in_flood_seconds = 0;
    bool in_flood = false;
    int begun = 0;
    for (int second = 0; second < kSeconds; ++second) {
      const auto now = at.begin() + second + 1;
      const int rolling = std::accumulate(second < 600 ? at.begin() : now - 600, now, 0);
      if (!in_flood && rolling > 10) {
        in_flood = true;
        if (second >= 600) ++begun;
      } else if (in_flood && rolling < 5) {
        in_flood = false;
      }
      if (second == 600 && in_flood && begun == 0) ++begun;  // went on into the window
      in_flood_seconds += in_flood && second >= 600 ? 1 : 0;
    }
    const AlarmQuality quality = Compute({.announced = alarms}, window);
    EXPECT_EQ(quality.floods.size(), static_cast<std::size_t>(begun)) << round;
    EXPECT_NEAR(quality.flood_share * (kSeconds - 600), in_flood_seconds, 1e-6) << round;
    floods += begun;
  }
  EXPECT_GT(floods, 100);
}

TEST(AlarmQualityTest, RaiseRatesPerMachine) {
  const std::vector<RawRaise> raises = {{{{2}, 1}, Hour(1)},
                                        {{{1}, 1}, Hour(2)},
                                        {{{2}, 9}, Hour(3)},
                                        {{{3}, 1}, Hour(4)},
                                        {{{3}, 1}, Hour(24 * 30)}};
  const auto rates = ComputeRaiseRates(raises, kMonth);
  ASSERT_TRUE(rates.ok()) << rates.status();
  ASSERT_EQ(rates->size(), 3U);
  EXPECT_EQ((*rates)[0].machine, MachineId{2});
  EXPECT_EQ((*rates)[0].raises, 2);
  EXPECT_DOUBLE_EQ((*rates)[0].per_day, 2.0 / 30);
  EXPECT_EQ((*rates)[1].machine, MachineId{1});
  EXPECT_EQ((*rates)[2].raises, 1);
}

// Three within a minute chatter; the same number folded into one raise may have come at any time.
TEST(AlarmQualityTest, FoldedRaisesCountInRatesAndNotAsChattering) {
  const std::vector<RawRaise> folded = {{{{1}, 1}, Hour(1), 5}, {{{1}, 1}, Hour(1) + absl::Seconds(10), 0}};
  EXPECT_TRUE(Compute({.raises = folded}).chattering.empty());
  const auto rates = ComputeRaiseRates(folded, kMonth);
  ASSERT_TRUE(rates.ok()) << rates.status();
  ASSERT_EQ(rates->size(), 1U);
  EXPECT_EQ((*rates)[0].raises, 7);
  std::vector<RawRaise> single = folded;
  single.push_back({{{1}, 1}, Hour(1) + absl::Seconds(50), 0});
  EXPECT_EQ(Compute({.raises = single}).chattering.size(), 1U);
}

TEST(AlarmQualityTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const auto& result) { return result.status().code(); };
  EXPECT_EQ(code(ComputeAlarmQuality({}, {Hour(1), Hour(1)})), kInvalid);
  EXPECT_EQ(code(ComputeAlarmQuality({}, {Hour(1), absl::InfiniteFuture()})), kInvalid);
  EXPECT_EQ(code(ComputeAlarmQuality({}, {absl::InfinitePast(), Hour(1)})), kInvalid);
  EXPECT_EQ(code(ComputeAlarmQuality({}, kMonth, absl::ZeroDuration())), kInvalid);
  EXPECT_EQ(code(ComputeRaiseRates({}, {Hour(2), Hour(1)})), kInvalid);
  const std::vector<AnnouncedAlarm> backwards = {Alarm(Hour(2), Hour(1))};
  EXPECT_EQ(code(ComputeAlarmQuality({.announced = backwards}, kMonth)), kInvalid);
  const std::vector<AnnouncedAlarm> unknown = {Alarm(Hour(1), Hour(2), 1, 1, static_cast<AlarmPriority>(3))};
  EXPECT_EQ(code(ComputeAlarmQuality({.announced = unknown}, kMonth)), kInvalid);
  const std::vector<AnnouncedAlarm> at_once = {Alarm(Hour(1), Hour(1))};
  EXPECT_TRUE(ComputeAlarmQuality({.announced = at_once}, kMonth).ok());
  EXPECT_TRUE(ComputeAlarmQuality({}, {Hour(0), Hour(0.1)}).ok());
}

}  // namespace
}  // namespace bayward
