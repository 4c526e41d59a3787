#include "server/figures/cycle_drift.h"

#include <cmath>
#include <limits>
#include <random>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
constexpr DriftDesign kDesign = {.reference = 0.25, .limit = 16.32, .autocorrelation = 0.3};

absl::Time Day(double day) { return absl::UnixEpoch() + absl::Seconds(86400 * day); }

// Washes of one machine, evenly spread over each day.
class Machine {
 public:
  explicit Machine(double per_day = 30) : per_day_(per_day) {}

  void WashUntil(double day, double seconds, double spread = 3, std::string_view programme = "gloss",
                 std::int32_t size_class = 0) {
    for (; day_ < day; day_ += 1 / per_day_) {
      const absl::Status added = chart_.Add({.finished_at = Day(day_),
                                             .duration = absl::Seconds(seconds + spread * normal_(random_)),
                                             .programme = programme,
                                             .size_class = size_class});
      EXPECT_TRUE(added.ok()) << added;
    }
  }
  void StandStillUntil(double day) { day_ = day; }
  void Maintain() { EXPECT_TRUE(chart_.RecordMaintenance(Day(day_)).ok()); }

  CycleDrift Result() const { return chart_.Result(); }
  CycleDriftChart& chart() { return chart_; }
  double day() const { return day_; }

 private:
  double per_day_;
  double day_ = 0;
  CycleDriftChart chart_ = *CycleDriftChart::Create(kDesign, absl::Seconds(1));
  std::mt19937_64 random_{11};
  std::normal_distribution<double> normal_;
};

TEST(CycleDriftTest, LearnsFromThreeHundredWashesOverFourteenDays) {
  Machine busy(100);
  busy.WashUntil(13.9, 300);
  EXPECT_EQ(busy.Result().state, DriftState::kLearning);
  EXPECT_GT(busy.Result().baseline_washes, 1000);
  busy.WashUntil(14.1, 300);
  EXPECT_EQ(busy.Result().state, DriftState::kSteady);

  Machine quiet(10);
  quiet.WashUntil(29.8, 300);
  EXPECT_EQ(quiet.Result().state, DriftState::kLearning);
  EXPECT_EQ(DescribeCycleDrift(quiet.Result(), absl::UTCTimeZone()),
            "learning its usual wash times: 298 of at least 300 washes, over 29 of at least 14 days");
  quiet.WashUntil(30.05, 300);
  EXPECT_EQ(quiet.Result().state, DriftState::kSteady);
  EXPECT_EQ(quiet.Result().baseline_washes, 300);
  EXPECT_EQ(DescribeCycleDrift(quiet.Result(), absl::UTCTimeZone()), "steady");
}

TEST(CycleDriftTest, ASlowMachineIsFoundAfterThreeDaysNotBefore) {
  Machine machine;
  machine.WashUntil(30, 300);
  machine.WashUntil(32.9, 315);
  EXPECT_EQ(machine.Result().state, DriftState::kSteady);
  EXPECT_GT(machine.Result().sum, machine.Result().limit);
  machine.WashUntil(34, 315);
  const CycleDrift drift = machine.Result();
  ASSERT_EQ(drift.state, DriftState::kSlower);
  EXPECT_NEAR(absl::ToDoubleHours(drift.slower->began_at - Day(30)) / 24, 0, 0.5);
  EXPECT_NEAR(absl::ToDoubleSeconds(drift.slower->shift), 15, 1);
  EXPECT_NEAR(drift.slower->shift_percent, 5, 0.33);
  EXPECT_EQ(drift.slower->ended_at, absl::InfiniteFuture());
  EXPECT_TRUE(drift.past.empty());
  const std::string text = DescribeCycleDrift(drift, absl::UTCTimeZone());
  EXPECT_EQ(text.substr(0, 23), "slower since 1970-01-3" + text.substr(22, 1)) << text;
}

TEST(CycleDriftTest, AFasterMachineIsSteady) {
  Machine machine;
  machine.WashUntil(30, 300);
  machine.WashUntil(60, 270);
  EXPECT_EQ(machine.Result().state, DriftState::kSteady);
  EXPECT_TRUE(machine.Result().past.empty());
}

TEST(CycleDriftTest, TwoSlowDaysAreNone) {
  Machine machine;
  machine.WashUntil(30, 300);
  machine.WashUntil(31.5, 330);
  machine.WashUntil(60, 300);
  EXPECT_EQ(machine.Result().state, DriftState::kSteady);
  EXPECT_TRUE(machine.Result().past.empty());
}

// Of the nine days' pause one counts.
TEST(CycleDriftTest, StandingStillConfirmsNothing) {
  Machine machine;
  machine.WashUntil(30, 300);
  while (machine.Result().sum > 0) machine.WashUntil(machine.day() + 0.03, 300);
  machine.WashUntil(machine.day() + 0.9, 315);
  machine.StandStillUntil(40);
  machine.WashUntil(40.05, 315);
  EXPECT_GT(machine.Result().sum, machine.Result().limit);
  EXPECT_EQ(machine.Result().state, DriftState::kSteady);
  machine.WashUntil(42, 315);
  EXPECT_EQ(machine.Result().state, DriftState::kSlower);
}

TEST(CycleDriftTest, AStretchThatEndsByItselfIsPast) {
  Machine machine;
  machine.WashUntil(30, 300);
  machine.WashUntil(50, 306);
  machine.WashUntil(80, 300);
  const CycleDrift drift = machine.Result();
  EXPECT_EQ(drift.state, DriftState::kSteady);
  ASSERT_EQ(drift.past.size(), 1U);
  EXPECT_GT(drift.past[0].ended_at, Day(50));
  EXPECT_LT(drift.past[0].ended_at, Day(54));
  EXPECT_NEAR(absl::ToDoubleSeconds(drift.past[0].shift), 6, 1);
}

TEST(CycleDriftTest, MaintenanceStartsOver) {
  Machine machine;
  machine.WashUntil(30, 300);
  machine.WashUntil(40, 315);
  machine.Maintain();
  CycleDrift drift = machine.Result();
  EXPECT_EQ(drift.state, DriftState::kReset);
  ASSERT_EQ(drift.past.size(), 1U);
  EXPECT_EQ(drift.past[0].ended_at, Day(machine.day()));
  EXPECT_NEAR(absl::ToDoubleSeconds(drift.past[0].shift), 15, 1);
  EXPECT_EQ(drift.baseline_washes, 0);
  EXPECT_EQ(drift.limit, 0);
  EXPECT_EQ(DescribeCycleDrift(drift, absl::UTCTimeZone()).substr(0, 20), "reset by maintenance");
  machine.WashUntil(50, 315);
  EXPECT_EQ(machine.Result().state, DriftState::kReset);
  machine.WashUntil(80, 315);
  drift = machine.Result();
  EXPECT_EQ(drift.state, DriftState::kSteady);  // what is usual now is the new speed
  EXPECT_EQ(drift.past.size(), 1U);
}

TEST(CycleDriftTest, ProgrammesAndSizesHaveTheirOwnBaseline) {
  // Alternating long and short washes, first half and half; later only the long ones: no drift.
  Machine machine;
  for (int day = 0; day < 30; ++day) {
    machine.WashUntil(day + 0.25, 300, 3, "gloss", 1);
    machine.WashUntil(day + 0.5, 340, 3, "gloss", 2);
    machine.WashUntil(day + 1, 600, 3, "wax", 1);
  }
  machine.WashUntil(60, 600, 3, "wax", 1);
  EXPECT_EQ(machine.Result().state, DriftState::kSteady);
  EXPECT_EQ(machine.Result().without_baseline, 0);
  EXPECT_TRUE(machine.Result().past.empty());
  machine.WashUntil(65, 615, 3, "wax", 1);
  EXPECT_EQ(machine.Result().state, DriftState::kSlower);
}

TEST(CycleDriftTest, ALateProgrammeWaitsForAFullBaseline) {
  Machine machine;
  machine.WashUntil(30, 300);
  const std::int64_t scored = machine.Result().scored;
  machine.WashUntil(43.9, 500, 3, "new");
  EXPECT_EQ(machine.Result().scored, scored);
  EXPECT_EQ(machine.Result().without_baseline, 417);
  machine.WashUntil(50, 500, 3, "new");
  EXPECT_GT(machine.Result().scored, scored + 150);
  EXPECT_EQ(machine.Result().state, DriftState::kSteady);
}

// Two sizes that nobody reports: the median is a small vehicle's, every large one scores +3.
TEST(CycleDriftTest, AnUnreportedMixtureIsNoDrift) {
  Machine machine;
  std::mt19937_64 random(5);
  std::uniform_real_distribution<double> uniform;
  const auto mixed_until = [&](double day, double factor) {
    while (machine.day() < day) {
      machine.WashUntil(machine.day() + 0.001, factor * (uniform(random) < 0.35 ? 400 : 300));
    }
  };
  mixed_until(90, 1);
  EXPECT_EQ(machine.Result().state, DriftState::kSteady);
  EXPECT_TRUE(machine.Result().past.empty());
  mixed_until(110, 1.05);
  EXPECT_EQ(machine.Result().state, DriftState::kSlower);
}

// One stuck wash of an hour is one score of 3.
TEST(CycleDriftTest, AWashThatHungCountsThree) {
  Machine machine;
  machine.WashUntil(30, 300);
  while (machine.Result().sum > 0) machine.WashUntil(machine.day() + 0.03, 300);
  machine.WashUntil(machine.day() + 0.03, 3600, 0);
  EXPECT_GT(machine.Result().sum, 2);
  EXPECT_LE(machine.Result().sum, 3);
}

// Washes that are all alike to the second: σ is half a per cent of 300 s, so one second is 0.67 of it.
TEST(CycleDriftTest, SigmaHasAFloor) {
  Machine machine;
  machine.WashUntil(30, 300, 0);
  EXPECT_EQ(machine.Result().sum, 0);
  machine.WashUntil(machine.day() + 0.03, 301, 0);
  EXPECT_NEAR(machine.Result().sum, 1 / 1.5 - 0.25 - 16.32 / machine.Result().baseline_washes, 1e-9);
  // Where durations come in steps of 30 s, a step's own spread is the floor.
  CycleDriftChart coarse = *CycleDriftChart::Create(kDesign, absl::Seconds(30));
  for (int wash = 0; wash < 450; ++wash) {
    ASSERT_TRUE(coarse.Add({Day(wash / 30.0), absl::Seconds(300), "gloss"}).ok());
  }
  ASSERT_TRUE(coarse.Add({Day(16), absl::Seconds(310), "gloss"}).ok());
  EXPECT_NEAR(coarse.Result().sum,
              10 / (30 / std::sqrt(12.0)) - 0.25 - 16.32 / coarse.Result().baseline_washes, 1e-9);
}

TEST(CycleDriftTest, SkipsWhatIsNotUsable) {
  Machine machine;
  machine.WashUntil(30, 300);
  const CycleDrift before = machine.Result();
  for (int i = 0; i < 100; ++i) {
    EXPECT_TRUE(machine.chart().Add({Day(30 + i * 0.1), absl::ZeroDuration(), "gloss", 0, false}).ok());
  }
  const CycleDrift after = machine.Result();
  EXPECT_EQ(after.sum, before.sum);
  EXPECT_EQ(after.scored, before.scored);
  EXPECT_EQ(after.skipped, before.skipped + 100);
}

TEST(CycleDriftTest, ABaselineMoreAutocorrelatedThanAssumedRaisesTheLimit) {
  const auto limit = [](double autocorrelation) {
    CycleDriftChart chart = *CycleDriftChart::Create(kDesign, absl::Seconds(1));
    std::mt19937_64 random(3);
    std::normal_distribution<double> normal;
    double noise = 0;
    for (int wash = 0; wash < 3000; ++wash) {
      noise = autocorrelation * noise + std::sqrt(1 - autocorrelation * autocorrelation) * normal(random);
      EXPECT_TRUE(chart.Add({Day(wash / 200.0), absl::Seconds(300 + 9 * noise), "gloss"}).ok());
    }
    return chart.Result().limit;
  };
  EXPECT_DOUBLE_EQ(limit(0), kDesign.limit);
  EXPECT_NEAR(limit(0.6) / kDesign.limit, (1.6 / 0.4) / (1.3 / 0.7), 0.25);
}

TEST(CycleDriftTest, TheLimitGrowsWithTheFleetsWashes) {
  EXPECT_NEAR(SolveDriftDesign(50, 0.5, 0)->limit, 8.968762, 1e-5);
  EXPECT_NEAR(SolveDriftDesign(50, 0.25, 0)->limit, 16.32032, 1e-4);
  EXPECT_GT(SolveDriftDesign(500, 0.25, 0)->limit, SolveDriftDesign(50, 0.25, 0)->limit);
  EXPECT_GT(SolveDriftDesign(50, 0.25, 0.3)->limit, SolveDriftDesign(50, 0.25, 0)->limit);
}

TEST(CycleDriftTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const auto& result) { return result.status().code(); };
  EXPECT_EQ(code(SolveDriftDesign(0)), kInvalid);
  EXPECT_EQ(code(SolveDriftDesign(280, 0)), kInvalid);
  EXPECT_EQ(code(SolveDriftDesign(280, 0.5, 0.95)), kInvalid);
  EXPECT_EQ(code(SolveDriftDesign(1e9)), kInvalid);
  EXPECT_TRUE(SolveDriftDesign(1).ok());
  EXPECT_TRUE(SolveDriftDesign(2000).ok());
  EXPECT_EQ(code(CycleDriftChart::Create({}, absl::Seconds(1))), kInvalid);
  EXPECT_EQ(
      code(CycleDriftChart::Create({0.5, std::numeric_limits<double>::infinity(), 0}, absl::Seconds(1))),
      kInvalid);
  EXPECT_EQ(code(CycleDriftChart::Create(kDesign, absl::Seconds(-1))), kInvalid);
  CycleDriftChart chart = *CycleDriftChart::Create(kDesign, absl::ZeroDuration());
  EXPECT_TRUE(chart.Add({Day(1), absl::Seconds(300), "gloss"}).ok());
  EXPECT_EQ(chart.Add({Day(2), absl::ZeroDuration(), "gloss"}).code(), kInvalid);
  EXPECT_EQ(chart.Add({Day(0.5), absl::Seconds(300), "gloss"}).code(), kInvalid);
  EXPECT_EQ(chart.RecordMaintenance(Day(0.5)).code(), kInvalid);
  EXPECT_TRUE(chart.Add({Day(1), absl::Seconds(300), "gloss"}).ok());  // at once
}

}  // namespace
}  // namespace bayward
