#include "server/figures/silent_stop.h"

#include <cmath>
#include <limits>
#include <vector>

#include "boost/math/quadrature/exp_sinh.hpp"
#include "boost/math/special_functions/gamma.hpp"
#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

SilentStop Compute(const std::vector<GammaRate>& cells, const std::vector<SilentHour>& hours,
                   double price = 0, double machine_hours = 1000) {
  const auto stop =
      ComputeSilentStop({.machine = {7}, .cells = cells, .hours = hours, .price = price}, machine_hours);
  EXPECT_TRUE(stop.ok()) << stop.status();
  return stop.value_or(SilentStop());
}

TEST(SilentStopTest, NoSilenceProvesNothing) {
  const SilentStop stop = Compute({{2, 1}}, {});
  EXPECT_EQ(stop.probability, 1);
  EXPECT_EQ(stop.expected_washes, 0);
  EXPECT_FALSE(stop.listed);
}

// (1/(1 + 1))^1 · (2/(2 + 0.5·2))^3 = 1/2 · 8/27; expected 1 + 1.5.
TEST(SilentStopTest, ByHand) {
  const SilentStop stop = Compute({{1, 1}, {3, 2}}, {{0, 1, 1}, {1, 0.5, 2}}, 12.5, 6.5);
  EXPECT_EQ(stop.machine, MachineId{7});
  EXPECT_NEAR(stop.probability, 4.0 / 27, 1e-15);
  EXPECT_NEAR(stop.log_probability, std::log(4.0 / 27), 1e-14);
  EXPECT_DOUBLE_EQ(stop.expected_washes, 2.5);
  EXPECT_DOUBLE_EQ(stop.expected_money, 31.25);
  EXPECT_DOUBLE_EQ(stop.hours, 1.5);
  EXPECT_NEAR(stop.chance_per_week, 6.5 * 4 / 27, 1e-14);
  EXPECT_TRUE(stop.listed);  // 0.96 a week
  EXPECT_FALSE(Compute({{1, 1}, {3, 2}}, {{0, 1, 1}, {1, 0.5, 2}}, 12.5, 7).listed);  // 1.04
}

// The definition: ∫ exp(−λ·x) · gamma density of λ dλ.
TEST(SilentStopTest, IsTheMeanProbabilityOverTheRate) {
  for (const GammaRate rate : {GammaRate{1.3, 0.4}, GammaRate{4, 2}, GammaRate{25, 10}}) {
    for (const double exposure : {0.2, 1.0}) {
      boost::math::quadrature::exp_sinh<double> integrator;
      const double mean = integrator.integrate([&](double lambda) {
        return std::exp(-lambda * exposure + rate.shape * std::log(rate.inverse_scale) +
                        (rate.shape - 1) * std::log(lambda) - rate.inverse_scale * lambda -
                        boost::math::lgamma(rate.shape));
      });
      EXPECT_NEAR(Compute({rate}, {{0, exposure, 1}}).probability, mean, 1e-9);
    }
  }
}

// A well-known rate behaves as Poisson: exp(−expected).
TEST(SilentStopTest, ACertainRateIsPoisson) {
  const SilentStop stop = Compute({{3e9, 1e9}}, {{0, 1, 1.5}});
  EXPECT_NEAR(stop.log_probability, -4.5, 1e-7);
}

TEST(SilentStopTest, TheSameHourNextWeekIsTheSameUnknownRate) {
  const SilentStop once = Compute({{2, 1}}, {{0, 1, 1}});
  const SilentStop twice = Compute({{2, 1}}, {{0, 1, 1}, {0, 1, 1}});
  EXPECT_NEAR(twice.probability, 1.0 / 9, 1e-15);  // (1/(1 + 2))²
  EXPECT_GT(twice.probability, once.probability * once.probability);
  EXPECT_DOUBLE_EQ(twice.expected_washes, 2 * once.expected_washes);
  // Split differently, the same.
  EXPECT_NEAR(Compute({{2, 1}}, {{0, 0.5, 2}, {0, 0.5, 1}, {0, 1, 0.5}}).probability, 1.0 / 9, 1e-15);
}

TEST(SilentStopTest, ADayWhenNobodyWashesSaysNothing) {
  const SilentStop stop = Compute({{5, 1}}, {{0, 1, 0}});
  EXPECT_EQ(stop.probability, 1);
  EXPECT_EQ(stop.expected_washes, 0);
  EXPECT_EQ(stop.hours, 1);
}

TEST(SilentStopTest, AVeryLongSilenceStaysANumber) {
  const std::vector<GammaRate> cells(168, GammaRate{40, 10});
  std::vector<SilentHour> hours;
  for (int hour = 0; hour < 20 * 168; ++hour) hours.push_back({hour % 168, 1, 1});
  const SilentStop stop = Compute(cells, hours);
  EXPECT_NEAR(stop.log_probability, -168 * 40 * std::log(3.0), 1e-6);
  EXPECT_EQ(stop.probability, 0);
  EXPECT_TRUE(stop.listed);
}

TEST(SilentStopTest, ListsTheDearestFirst) {
  const std::vector<GammaRate> cells = {{10, 2}};
  const std::vector<SilentHour> day(12, SilentHour{0, 1, 1});
  const std::vector<SilentHour> minute = {{0, 1.0 / 60, 1}};
  const std::vector<SilentSpell> spells = {
      {{1}, cells, day, 8}, {{2}, cells, minute, 100}, {{4}, cells, day, 12}, {{3}, cells, day, 12}};
  const auto listed = ListSilentStops(spells, 4000);
  ASSERT_TRUE(listed.ok()) << listed.status();
  ASSERT_EQ(listed->size(), 3U);
  EXPECT_EQ((*listed)[0].machine, MachineId{3});
  EXPECT_EQ((*listed)[1].machine, MachineId{4});
  EXPECT_EQ((*listed)[2].machine, MachineId{1});
  EXPECT_DOUBLE_EQ((*listed)[0].expected_money, 720);
}

TEST(SilentStopTest, RefusesWhatHasNoMeaning) {
  const auto code = [](GammaRate rate, SilentHour hour, double price, double machine_hours) {
    const std::vector<GammaRate> cells = {rate};
    const std::vector<SilentHour> hours = {hour};
    const std::vector<SilentSpell> spells = {{{1}, cells, hours, price}};
    const absl::StatusCode one = ComputeSilentStop(spells[0], machine_hours).status().code();
    EXPECT_EQ(ListSilentStops(spells, machine_hours).status().code(), one);
    return one;
  };
  constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
  EXPECT_EQ(code({1, 1}, {0, 1, 1}, 1, 1), absl::StatusCode::kOk);
  EXPECT_EQ(code({1, 1}, {1, 1, 1}, 1, 1), kInvalid);
  EXPECT_EQ(code({1, 1}, {-1, 1, 1}, 1, 1), kInvalid);
  EXPECT_EQ(code({1, 1}, {0, 1.1, 1}, 1, 1), kInvalid);
  EXPECT_EQ(code({1, 1}, {0, -0.1, 1}, 1, 1), kInvalid);
  EXPECT_EQ(code({1, 1}, {0, 1, -1}, 1, 1), kInvalid);
  EXPECT_EQ(code({1, 1}, {0, 1, kNaN}, 1, 1), kInvalid);
  EXPECT_EQ(code({0, 1}, {0, 1, 1}, 1, 1), kInvalid);
  EXPECT_EQ(code({1, 0}, {0, 1, 1}, 1, 1), kInvalid);
  EXPECT_EQ(code({1, 1}, {0, 1, 1}, -1, 1), kInvalid);
  EXPECT_EQ(code({1, 1}, {0, 1, 1}, 1, 0), kInvalid);
  EXPECT_EQ(code({1, 1}, {0, 1, 1}, 1, kNaN), kInvalid);
}

}  // namespace
}  // namespace bayward
