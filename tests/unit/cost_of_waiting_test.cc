#include "server/figures/cost_of_waiting.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

WaitingCost Cost(const WaitingCall& call, double from, double to) {
  const auto cost = CostBetween(call, from, to);
  EXPECT_TRUE(cost.ok()) << cost.status();
  return cost.value_or(WaitingCost());
}

LossStretch Known(double from, double to, double rate) { return {from, to, rate, rate, rate}; }

// Spells that cleared at the quantiles of an exponential law.
std::vector<SurvivalCase> Exponential(double rate, int count) {
  std::vector<SurvivalCase> cases;
  for (int i = 0; i < count; ++i) cases.push_back({.exit = -std::log1p(-(i + 0.5) / count) / rate, .event = true});
  return cases;
}

TEST(CostOfWaitingTest, AFaultThatNeverClearsCostsEveryRequiredHour) {
  WaitingCall call;
  call.losses = {Known(2, 10, 20), Known(26, 34, 30)};
  const WaitingCost cost = Cost(call, 0, 30);
  EXPECT_DOUBLE_EQ(cost.value, 8 * 20 + 4 * 30);
  EXPECT_FALSE(cost.lower.has_value());
  EXPECT_DOUBLE_EQ(cost.upper, cost.value);
  EXPECT_DOUBLE_EQ(cost.beyond_known, 1);
  EXPECT_EQ(cost.at_risk, 0);
  EXPECT_DOUBLE_EQ(Cost(call, 10, 26).value, 0);
  EXPECT_DOUBLE_EQ(CostOfADayMore(call, 4)->value, 6 * 20 + 2 * 30);
}

// S(u) = exp(−λu): F(t) = r(1 − exp(−λt))/λ, whatever the age.
TEST(CostOfWaitingTest, ExponentialClearingHasAClosedForm) {
  constexpr double kRate = 0.25, kLoss = 12;
  WaitingCall call;
  call.losses = {Known(0, 1000, kLoss)};
  call.unvisited = Exponential(kRate, 20'000);
  for (const double age : {0.0, 1.0, 6.0}) {
    call.age_hours = age;
    for (const double t : {0.5, 4.0, 30.0}) {
      const double expected = kLoss * -std::expm1(-kRate * t) / kRate;
      EXPECT_NEAR(Cost(call, 0, t).value, expected, 0.004 * expected) << age << ' ' << t;
    }
  }
}

// With a hazard h that is nearly known: r·[(1 − e^(−λt))/λ − (1 − φ)(1 − e^(−(λ + h)t))/(λ + h)].
TEST(CostOfWaitingTest, ADegradingFaultMayTurnBlocking) {
  constexpr double kRate = 0.1, kLoss = 12, kHazard = 0.05, kShare = 0.3;
  WaitingCall call;
  call.losses = {Known(0, 1000, kLoss)};
  call.unvisited = Exponential(kRate, 20'000);
  call.share_lost = kShare;
  call.turns_blocking = GammaRate{1e9, 1e9 / kHazard};
  const auto cleared = [](double rate, double t) { return -std::expm1(-rate * t) / rate; };
  for (const double t : {1.0, 10.0, 60.0}) {
    const double expected = kLoss * (cleared(kRate, t) - (1 - kShare) * cleared(kRate + kHazard, t));
    EXPECT_NEAR(Cost(call, 0, t).value, expected, 0.002 * expected) << t;
  }
}

// Nothing clears: ∫ 1 − (1 − φ)(β/(β + u))^α is t − (1 − φ)·β·ln(1 + t/β) for α = 1, t − (1 − φ)·βt/(β + t) for
// α = 2.
TEST(CostOfWaitingTest, AnUncertainHazardIsAveraged) {
  WaitingCall call;
  call.losses = {Known(0, 100, 1)};
  call.share_lost = 0.2;
  call.turns_blocking = GammaRate{1, 8};
  EXPECT_NEAR(Cost(call, 0, 24).value, 24 - 0.8 * 8 * std::log(4.0), 1e-9);
  call.turns_blocking = GammaRate{2, 8};
  EXPECT_NEAR(Cost(call, 0, 24).value, 24 - 0.8 * 8 * 24 / 32, 1e-9);
  // At most all is lost, at least what a degraded machine loses.
  EXPECT_LE(Cost(call, 0, 24).upper, 24);
  call.turns_blocking.reset();
  EXPECT_NEAR(Cost(call, 0, 24).value, 0.2 * 24, 1e-12);
}

// Weight 1 from now on is the restricted mean, which R's survival package confirms (tests/published).
TEST(CostOfWaitingTest, AConstantLossIsTheRestrictedMean) {
  std::mt19937_64 random(5);
  std::lognormal_distribution<double> duration(1.0, 0.9);
  WaitingCall call;
  for (int i = 0; i < 60; ++i) {
    const double lasts = duration(random), visited = 3 * duration(random);
    call.unvisited.push_back({.exit = std::min(lasts, visited), .event = lasts < visited});
  }
  const double horizon = 6;
  call.losses = {Known(0, horizon, 1)};
  const RestrictedMean mean = EstimateRestrictedMean(call.unvisited, horizon, {.confidence = 0.9}).value();
  ASSERT_DOUBLE_EQ(mean.horizon, horizon);
  const WaitingCost cost = Cost(call, 0, horizon);
  EXPECT_NEAR(cost.value, mean.mean, 1e-12);
  EXPECT_NEAR(cost.lower.value(), mean.lower.value(), 1e-12);
  EXPECT_NEAR(cost.upper, std::min(mean.upper.value(), horizon), 1e-12);
  EXPECT_EQ(cost.beyond_known, 0);
}

TEST(CostOfWaitingTest, LimitsOfTheLossRateWiden) {
  WaitingCall call;
  call.unvisited = Exponential(0.2, 40);
  call.losses = {Known(0, 24, 10)};
  const WaitingCost sure = Cost(call, 0, 24);
  call.losses[0].lower = 5;
  call.losses[0].upper = 25;
  const WaitingCost unsure = Cost(call, 0, 24);
  EXPECT_DOUBLE_EQ(unsure.value, sure.value);
  EXPECT_LT(*unsure.lower, *sure.lower);
  EXPECT_GT(unsure.upper, sure.upper);
  call.losses[0].lower = 0;
  EXPECT_EQ(Cost(call, 0, 24).lower.value(), 0);
  call.losses[0].rate = 0;
  EXPECT_EQ(Cost(call, 0, 24).value, 0);
  EXPECT_GT(Cost(call, 0, 24).upper, 0);
}

struct RandomCall {
  WaitingCall call;
  SurvivalCurve whole;  // from a spell's beginning on
};

RandomCall DrawCall(std::mt19937_64& random) {
  std::uniform_real_distribution<double> unit(0, 1);
  RandomCall drawn;
  WaitingCall& call = drawn.call;
  const int count = std::uniform_int_distribution<int>(0, 30)(random);
  for (int i = 0; i < count; ++i) {
    SurvivalCase one{.exit = 0.1 + 20 * unit(random), .event = unit(random) < 0.6};
    if (unit(random) < 0.3) one.entry = 0.9 * one.exit * unit(random);
    call.unvisited.push_back(one);
  }
  double at = 0;
  for (int i = 0; i < 3; ++i) {
    const double from = at + 4 * unit(random), to = from + 0.5 + 6 * unit(random), rate = 30 * unit(random);
    call.losses.push_back(Known(from, to, rate));
    at = to;
  }
  call.age_hours = unit(random) < 0.3 ? 0 : 10 * unit(random);
  call.share_lost = unit(random);
  if (unit(random) < 0.7) call.turns_blocking = GammaRate{0.2 + 3 * unit(random), 1 + 20 * unit(random)};
  drawn.whole = EstimateSurvival(call.unvisited).value();
  return drawn;
}

double SurvivalAt(const SurvivalCurve& curve, double t) {
  double survival = 1;
  for (const SurvivalStep& step : curve.steps) {
    if (step.time <= t && step.time <= curve.known_until) survival = step.survival;
  }
  return survival;
}

// Slice by slice, with the curve of whole spells divided by what was left at this age.
double BruteForce(const RandomCall& drawn, double from, double to) {
  constexpr int kSlices = 40'000;
  const WaitingCall& call = drawn.call;
  const double width = (to - from) / kSlices;
  const double reached = SurvivalAt(drawn.whole, call.age_hours);
  double sum = 0;
  for (int i = 0; i < kSlices; ++i) {
    const double u = from + (i + 0.5) * width;
    double rate = 0;
    for (const LossStretch& stretch : call.losses) {
      if (stretch.from <= u && u < stretch.to) rate = stretch.rate;
    }
    double not_turned = 1;
    if (call.turns_blocking) {
      const GammaRate& hazard = *call.turns_blocking;
      not_turned = std::pow(hazard.inverse_scale / (hazard.inverse_scale + u), hazard.shape);
    }
    const double lost = call.share_lost * not_turned + 1 - not_turned;
    sum += width * rate * lost * SurvivalAt(drawn.whole, call.age_hours + u) / reached;
  }
  return sum;
}

TEST(CostOfWaitingTest, EqualsBruteForceAndAddsUp) {
  std::mt19937_64 random(11);
  std::uniform_real_distribution<double> unit(0, 1);
  int judged = 0;
  for (int round = 0; round < 60; ++round) {
    const RandomCall drawn = DrawCall(random);
    const double from = 10 * unit(random), middle = from + 10 * unit(random), to = middle + 0.1 + 10 * unit(random);
    const double whole = Cost(drawn.call, from, to).value;
    EXPECT_NEAR(Cost(drawn.call, from, middle).value + Cost(drawn.call, middle, to).value, whole, 1e-9 * (1 + whole));
    // The whole curve says nothing of spells of this age.
    const double age = drawn.call.age_hours;
    if (drawn.whole.known_until <= age || SurvivalAt(drawn.whole, age) == 0) continue;
    EXPECT_NEAR(whole, BruteForce(drawn, from, to), 0.3) << round;
    ++judged;
  }
  EXPECT_GT(judged, 30);
}

TEST(CostOfWaitingTest, WhatIsBeyondAllThatWasWatchedIsSaid) {
  WaitingCall call;
  call.losses = {Known(0, 100, 1)};
  // One cleared after 2 h, one was visited after 10 h.
  call.unvisited = {{.exit = 2, .event = true}, {.exit = 10, .event = false}};
  const WaitingCost cost = Cost(call, 0, 20);
  EXPECT_DOUBLE_EQ(cost.value, 2 + 0.5 * 18);
  EXPECT_DOUBLE_EQ(cost.beyond_known, 5.0 / 11);
  EXPECT_LT(*cost.lower, 6);
  EXPECT_EQ(cost.at_risk, 2);
  call.age_hours = 3;  // only the second had lasted as long, and it never cleared
  EXPECT_DOUBLE_EQ(Cost(call, 0, 20).value, 20);
  EXPECT_FALSE(Cost(call, 0, 20).lower.has_value());
  EXPECT_EQ(Cost(call, 0, 20).at_risk, 1);
}

TEST(CostOfWaitingTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const WaitingCall& call, double from = 0, double to = 1) {
    return CostBetween(call, from, to).status().code();
  };
  WaitingCall good;
  good.losses = {Known(0, 5, 1), Known(5, 6, 2)};
  EXPECT_TRUE(CostBetween(good, 0, 1).ok());
  EXPECT_EQ(code(good, 2, 1), kInvalid);
  EXPECT_EQ(code(good, -1, 1), kInvalid);
  EXPECT_EQ(code(good, 0, std::numeric_limits<double>::infinity()), kInvalid);
  WaitingCall bad = good;
  bad.losses[1].from = 4;
  EXPECT_EQ(code(bad), kInvalid);
  bad = good;
  bad.losses[0].lower = 2;
  EXPECT_EQ(code(bad), kInvalid);
  bad = good;
  bad.losses[0] = Known(0, 5, -1);
  EXPECT_EQ(code(bad), kInvalid);
  bad = good;
  bad.share_lost = 1.1;
  EXPECT_EQ(code(bad), kInvalid);
  bad = good;
  bad.age_hours = -1;
  EXPECT_EQ(code(bad), kInvalid);
  bad = good;
  bad.turns_blocking = GammaRate{0, 1};
  EXPECT_EQ(code(bad), kInvalid);
  bad = good;
  bad.confidence = 1;
  EXPECT_EQ(code(bad), kInvalid);
  bad = good;
  bad.unvisited = {{.entry = 3, .exit = 2, .event = true}};
  EXPECT_EQ(code(bad), kInvalid);
}

}  // namespace
}  // namespace bayward
