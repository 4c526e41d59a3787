#include "server/figures/foreseen_exposure.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "gtest/gtest.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
constexpr int kHour = 60;
constexpr int kDay = 24 * kHour;

// Durations of restored and of open outages, in hours.
RestorationLaw LawOf(const std::vector<double>& restored, const std::vector<double>& open = {}) {
  std::vector<SurvivalCase> cases;
  for (const double hours : restored) cases.push_back({.exit = hours, .event = true});
  for (const double hours : open) cases.push_back({.exit = hours, .event = false});
  return RestorationLaw(EstimateSurvival(cases).value());
}

// Two weeks, always open; a rate so low that hardly anything comes of it.
ForeseenMachine Quiet() {
  ForeseenMachine machine;
  machine.period = Span(0, 14 * kDay);
  machine.required = IntervalSet{machine.period};
  machine.rate = {.shape = 1, .inverse_scale = 1e12};
  return machine;
}

std::vector<double> Foresee(const ForeseenMachine& machine, const RestorationLaw& law, ForeseenOptions options = {}) {
  const auto hours = ForeseeUpHours(machine, law, options);
  EXPECT_TRUE(hours.ok()) << hours.status();
  return hours.value_or(std::vector<double>());
}

double Mean(const std::vector<double>& values) {
  return std::accumulate(values.begin(), values.end(), 0.0) / static_cast<double>(values.size());
}

TEST(RestorationLawTest, FollowsTheCurve) {
  const RestorationLaw law = LawOf({1, 2, 3, 10});
  EXPECT_DOUBLE_EQ(law.NotRestored(0), 1);
  EXPECT_DOUBLE_EQ(law.NotRestored(0.99), 1);
  EXPECT_DOUBLE_EQ(law.NotRestored(1), 0.75);
  EXPECT_DOUBLE_EQ(law.NotRestored(5), 0.25);
  EXPECT_DOUBLE_EQ(law.NotRestored(10), 0);
  EXPECT_DOUBLE_EQ(law.Remaining(0, 0.8), 1);
  EXPECT_DOUBLE_EQ(law.Remaining(0, 0.75), 1);
  EXPECT_DOUBLE_EQ(law.Remaining(0, 0.74), 2);
  EXPECT_DOUBLE_EQ(law.Remaining(0, 0.1), 10);
}

// What has lasted two hours is one of the two long ones, each as likely.
TEST(RestorationLawTest, WhatHasLastedLongerIsLonger) {
  const RestorationLaw law = LawOf({1, 2, 3, 10});
  EXPECT_DOUBLE_EQ(law.Remaining(2, 0.6), 1);
  EXPECT_DOUBLE_EQ(law.Remaining(2, 0.4), 8);
}

// Restored ones per down hour: 1/((1 + 3)/2), S being 1/2 from 1 to 3 and 1 before: area 2, half restored.
TEST(RestorationLawTest, GoesOnAtAConstantRateBeyondTheCurve) {
  const RestorationLaw law = LawOf({1}, {3});
  constexpr double kRate = 0.25;
  EXPECT_DOUBLE_EQ(law.NotRestored(3), 0.5);
  EXPECT_DOUBLE_EQ(law.NotRestored(7), 0.5 * std::exp(-4 * kRate));
  EXPECT_NEAR(law.Remaining(0, 0.1), 3 + std::log(5) / kRate, 1e-12);
  EXPECT_NEAR(law.Remaining(50, 0.5), std::log(2) / kRate, 1e-12);
  // Longer than any was: the same rate.
  EXPECT_NEAR(LawOf({1, 3}).Remaining(8, 0.5), std::log(2) / (1 / 2.0), 1e-12);
}

TEST(RestorationLawTest, WithoutARestorationNoneIsPromised) {
  for (const RestorationLaw& law : {LawOf({}), LawOf({}, {5, 9})}) {
    EXPECT_EQ(law.Remaining(0, 0.01), std::numeric_limits<double>::infinity());
    EXPECT_EQ(law.Remaining(100, 0.99), std::numeric_limits<double>::infinity());
    EXPECT_EQ(law.NotRestored(1e6), 1);
  }
}

TEST(ForeseeUpHoursTest, AWholeMachineHasThePlannedHours) {
  ForeseenMachine machine = Quiet();
  const RestorationLaw law = LawOf({1, 2});
  EXPECT_NEAR(Mean(Foresee(machine, law)), 14 * 24, 1e-6);
  machine.required = IntervalSet{Span(-kDay, 8 * kHour), Span(2 * kDay, 2 * kDay + 90), Span(20 * kDay, 21 * kDay)};
  EXPECT_NEAR(Mean(Foresee(machine, law)), 9.5, 1e-9);
  machine.up_share = 0.8;
  EXPECT_NEAR(Mean(Foresee(machine, law)), 0.8 * 9.5, 1e-9);
  machine.required = IntervalSet{};
  EXPECT_EQ(Mean(Foresee(machine, law)), 0);
}

// Down for two hours: one or eight hours more, both as likely.
TEST(ForeseeUpHoursTest, AMachineThatIsDownFirstHasToBeRestored) {
  ForeseenMachine machine = Quiet();
  machine.down_for = absl::Hours(2);
  const RestorationLaw law = LawOf({1, 2, 3, 10});
  const auto hours = Foresee(machine, law, {.draws = 4000, .values = 4000});
  EXPECT_NEAR(hours.front(), 14 * 24 - 8, 1e-6);
  EXPECT_NEAR(hours.back(), 14 * 24 - 1, 1e-6);
  // Standard error 3.5/√4000 = 0.055.
  EXPECT_NEAR(Mean(hours), 14 * 24 - 4.5, 4 * 0.055);
  EXPECT_EQ(Mean(Foresee(machine, LawOf({}, {5}))), 0);
}

// Repairs go on at night: an outage of ten hours that begins at closing costs what is left of the morning.
TEST(ForeseeUpHoursTest, RestorationRunsOnTheElapsedClock) {
  ForeseenMachine machine = Quiet();
  machine.period = Span(0, kDay);
  machine.required = IntervalSet{Span(8 * kHour, 20 * kHour)};
  machine.down_for = absl::ZeroDuration();
  EXPECT_NEAR(Mean(Foresee(machine, LawOf({10}))), 10, 1e-9);
  EXPECT_NEAR(Mean(Foresee(machine, LawOf({5}))), 12, 1e-9);
}

TEST(ForeseeUpHoursTest, ValuesAreMeansOfPartsOfTheDraws) {
  ForeseenMachine machine = Quiet();
  machine.rate = {.shape = 20, .inverse_scale = 1000};
  const RestorationLaw law = LawOf({1, 5, 30});
  const auto one_by_one = Foresee(machine, law, {.draws = 64, .values = 64});
  const auto four = Foresee(machine, law, {.draws = 64, .values = 4});
  ASSERT_EQ(four.size(), 4U);
  EXPECT_TRUE(std::is_sorted(four.begin(), four.end()));
  EXPECT_NEAR(four.front(), std::accumulate(one_by_one.begin(), one_by_one.begin() + 16, 0.0) / 16, 1e-9);
  EXPECT_NEAR(Mean(four), Mean(one_by_one), 1e-9);
}

TEST(ForeseeUpHoursTest, TheSameSeedForeseesTheSame) {
  ForeseenMachine machine = Quiet();
  machine.rate = {.shape = 20, .inverse_scale = 1000};
  const RestorationLaw law = LawOf({1, 5, 30});
  EXPECT_EQ(Foresee(machine, law, {.seed = 3}), Foresee(machine, law, {.seed = 3}));
  EXPECT_NE(Foresee(machine, law, {.seed = 3}), Foresee(machine, law, {.seed = 4}));
}

TEST(ForeseeUpHoursTest, RefusesWhatCannotBe) {
  const RestorationLaw law = LawOf({1});
  const auto code = [&](const ForeseenMachine& machine, const ForeseenOptions& options = {}) {
    return ForeseeUpHours(machine, law, options).status().code();
  };
  EXPECT_EQ(code(Quiet()), absl::StatusCode::kOk);
  ForeseenMachine machine = Quiet();
  machine.rate.shape = 0;
  EXPECT_EQ(code(machine), kInvalid);
  machine = Quiet();
  machine.rate = {.shape = 1e6, .inverse_scale = 1};
  EXPECT_EQ(code(machine), kInvalid);
  machine = Quiet();
  machine.up_share = 1.1;
  EXPECT_EQ(code(machine), kInvalid);
  machine = Quiet();
  machine.down_for = -absl::Hours(1);
  EXPECT_EQ(code(machine), kInvalid);
  machine = Quiet();
  machine.period.end = absl::InfiniteFuture();
  EXPECT_EQ(code(machine), kInvalid);
  EXPECT_EQ(code(Quiet(), {.draws = 10, .values = 3}), kInvalid);
  EXPECT_EQ(code(Quiet(), {.draws = 0, .values = 1}), kInvalid);
}

}  // namespace
}  // namespace bayward::testing
