// What the restoration figures claim of long outages and small numbers, on generated ones whose truth is
// known. Fixed seeds; tolerances are Monte Carlo errors, stated where they are used.
#include <algorithm>
#include <cmath>
#include <iostream>
#include <memory>
#include <random>
#include <string>
#include <vector>

#include "boost/math/distributions/lognormal.hpp"
#include "boost/math/quadrature/gauss_kronrod.hpp"
#include "gtest/gtest.h"
#include "server/figures/restoration.h"
#include "server/statistics/survival.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

// Repair times of a shift as a rule and of weeks at times: log-normal, median 8 h, sd of the logarithm 1.4.
constexpr double kMedian = 8;
constexpr double kLogSd = 1.4;
const boost::math::lognormal_distribution<double> kRepair(std::log(kMedian), kLogSd);

double Integral(double to, auto of) {
  // In parts, for the density rises steeply near 0.
  double sum = 0;
  double from = 0;
  for (double until = std::min(to, 1.0); from < to; from = until, until = std::min(to, 2 * until + 1)) {
    sum += boost::math::quadrature::gauss_kronrod<double, 31>::integrate(of, from, until);
  }
  return sum;
}

double Survival(double t) { return t <= 0 ? 1 : cdf(complement(kRepair, t)); }
double TrueRestrictedMean(double horizon) { return Integral(horizon, Survival); }

// E(T | T <= C), C uniform on a window of `hours`: what the mean of the restored ones only estimates.
double MeanOfRestored(double hours) {
  const auto restored = [&](double t) { return t <= 0 ? 0 : pdf(kRepair, t) * (1 - t / hours); };
  return Integral(hours, [&](double t) { return t * restored(t); }) / Integral(hours, restored);
}

// One outage on each of `machines` machines, begun at any time of a window of `days` days that ends now.
class Fleet {
 public:
  Fleet(int machines, int days, std::mt19937_64& random) : now_(days * 24 * 60) {
    std::uniform_int_distribution<int> start(1, now_ - 1);
    std::lognormal_distribution<double> hours(std::log(kMedian), kLogSd);
    for (int i = 0; i < machines; ++i) {
      const int from = start(random);
      const double until = from + std::max(1.0, std::round(60 * hours(random)));
      HistoryBuilder builder;
      builder.Observed(0, kOpen).ObservedUntil(now_);
      builder.Fault(kJam, from, until < now_ ? static_cast<int>(until) : kOpen);
      timelines_.push_back(
          std::make_unique<MachineTimeline>(builder.Build(), AlwaysOpen(), Span(0, now_), false));
      machines_.push_back(timelines_.back().get());
    }
  }

  Restoration Compute() const {
    const auto restoration = ComputeRestoration(machines_, Span(0, now_), At(now_));
    EXPECT_TRUE(restoration.ok()) << restoration.status();
    return restoration.value_or(Restoration());
  }

 private:
  const int now_;
  std::vector<std::unique_ptr<MachineTimeline>> timelines_;
  std::vector<const MachineTimeline*> machines_;
};

// The share depends on how long repairs take: with the same median it is 0.87 at a sd of 1.0 and 0.34 at 1.8,
// for an exponential of mean 58 h again 0.60.
TEST(RestorationSimulationTest, TheMeanOfRestoredOnesIsSixTenthsOfTheTruthInASevenDayWindow) {
  const double truth = mean(kRepair);
  EXPECT_NEAR(truth, kMedian * std::exp(kLogSd * kLogSd / 2), 1e-9);
  EXPECT_NEAR(MeanOfRestored(7 * 24) / truth, 0.60, 0.015);
  std::mt19937_64 random(20260701);
  constexpr int kOutages = 4000;
  const Restoration r = Fleet(kOutages, 7, random).Compute();
  EXPECT_EQ(r.begun, kOutages);
  EXPECT_EQ(r.restored + r.open, kOutages);
  // Some 3,600 restored with a standard deviation of 20 h: four Monte Carlo errors are 1.4 h.
  EXPECT_NEAR(*r.elapsed.mean_of_restored, MeanOfRestored(7 * 24), 1.4);
  // The restricted mean says how far it goes and is right so far; the other lies outside its limits.
  const RestrictedMean& mean = r.elapsed.mean;
  EXPECT_NEAR(mean.horizon, 7 * 24, 1);
  EXPECT_NEAR(mean.mean, TrueRestrictedMean(mean.horizon), 4 * *mean.standard_error);
  EXPECT_GT(*mean.lower, *r.elapsed.mean_of_restored);
  // So is the median, which those still open hardly touch: four Monte Carlo errors are 0.9 h.
  EXPECT_NEAR(*r.elapsed.median.time, kMedian, 0.9);
}

struct Coverage {
  double mean = 0;  // share of limits of the restricted mean that hold
  double median = 0;  // of those of the median
  double error_alone = 0;  // of mean·exp(∓1.96·standard error/mean)
};

class Tally {
 public:
  void Add(const RestrictedMean& mean, const SurvivalPercentile& median) {
    const double truth = TrueRestrictedMean(mean.horizon);
    ++of_;
    if (mean.standard_error.has_value()) {
      mean_ += *mean.lower <= truth && truth <= *mean.upper ? 1 : 0;
      error_alone_ +=
          std::abs(std::log(mean.mean / truth)) <= 1.96 * *mean.standard_error / mean.mean ? 1 : 0;
    }
    // One that is not reached may lie anywhere beyond.
    const double beyond = 1e9;
    median_ += median.lower.value_or(0) <= kMedian && kMedian <= median.upper.value_or(beyond) ? 1 : 0;
  }
  Coverage Shares() const {
    const double of = of_;
    return {mean_ / of, median_ / of, error_alone_ / of};
  }

 private:
  int of_ = 0;
  int mean_ = 0;
  int median_ = 0;
  int error_alone_ = 0;
};

void Show(const char* what, const Coverage& coverage) {
  std::cout << what << ": restricted mean " << coverage.mean << ", by its error alone "
            << coverage.error_alone << ", median " << coverage.median << '\n';
}

TEST(RestorationSimulationTest, LimitsCoverInASevenDayWindow) {
  std::mt19937_64 random(20260702);
  Tally tally;
  for (int i = 0; i < 300; ++i) {
    const Restoration r = Fleet(20, 7, random).Compute();
    tally.Add(r.elapsed.mean, r.elapsed.median);
  }
  const Coverage coverage = tally.Shares();
  Show("20 outages in 7 days", coverage);
  // 0.95 less two Monte Carlo errors of 0.0126.
  EXPECT_GE(coverage.mean, 0.925);
  EXPECT_GE(coverage.median, 0.925);
}

// As many machines with as many outages each, as ComputeRestoration makes them of a window of 28 days that
// ends now. Outages of one machine resemble each other: `shared` of the variance of the logarithm is the
// machine's.
Coverage CoverageOf(int machines, int outages, double shared, SurvivalVariance variance, unsigned seed) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> follow_up(0, 28 * 24);
  const SurvivalOptions how{.variance = variance};
  Tally tally;
  for (int i = 0; i < 1000; ++i) {
    std::vector<SurvivalCase> cases;
    double watched = 0;
    for (int machine = 0; machine < machines; ++machine) {
      const double of_machine = std::sqrt(shared) * normal(random);
      for (int k = 0; k < outages; ++k) {
        const double of_outage = std::sqrt(1 - shared) * normal(random);
        const double hours = kMedian * std::exp(kLogSd * (of_machine + of_outage));
        const double until = follow_up(random);
        cases.push_back({.exit = std::min(hours, until), .event = hours <= until, .cluster = machine});
        watched = std::max(watched, until);
      }
    }
    const auto mean = EstimateRestrictedMean(cases, std::min(14.0 * 24, watched), how);
    const auto curve = EstimateSurvival(cases, how);
    EXPECT_TRUE(mean.ok() && curve.ok());
    tally.Add(*mean, FindPercentile(*curve, 0.5));
  }
  return tally.Shares();
}

// Of 1,000 repetitions: a Monte Carlo error is 0.007 at 0.95.
TEST(RestorationSimulationTest, LimitsCoverWithIndependentOutages) {
  for (const int machines : {10, 20, 60, 200}) {
    const Coverage coverage = CoverageOf(machines, 1, 0, SurvivalVariance::kLarger, 20260703);
    Show((std::to_string(machines) + " outages in 28 days").c_str(), coverage);
    EXPECT_GE(coverage.mean, 0.95) << machines;
    EXPECT_GE(coverage.median, 0.93) << machines;
  }
  // The reason for the upper limit that does not go by the standard error.
  EXPECT_LT(CoverageOf(20, 1, 0, SurvivalVariance::kLarger, 20260703).error_alone, 0.87);
}

TEST(RestorationSimulationTest, LimitsCoverWithMachinesThatDiffer) {
  const Coverage greenwood = CoverageOf(30, 6, 0.4, SurvivalVariance::kGreenwood, 20260704);
  const Coverage larger = CoverageOf(30, 6, 0.4, SurvivalVariance::kLarger, 20260704);
  Show("30 machines with 6 outages, as if independent", greenwood);
  Show("30 machines with 6 outages", larger);
  EXPECT_LT(greenwood.median, 0.85);
  EXPECT_LT(greenwood.error_alone, 0.85);
  EXPECT_GE(larger.median, 0.92);
  EXPECT_GE(larger.mean, 0.95);
  // With few machines what they have in common is underestimated: no promise, but never worse than
  // independent.
  const Coverage few = CoverageOf(8, 8, 0.4, SurvivalVariance::kLarger, 20260705);
  Show("8 machines with 8 outages", few);
  EXPECT_GE(few.median, 0.87);
  EXPECT_GE(few.mean, 0.95);
}

}  // namespace
}  // namespace bayward::testing
