// Forecasts of outages on simulated fleets: calibrated by their probability integral transform, better than
// own and pooled averages where machines differ, and the trend let in where there is one and seldom where
// there is none.

#include <algorithm>
#include <cmath>
#include <iostream>
#include <random>

#include "gtest/gtest.h"
#include "server/figures/forecast_scores.h"

namespace bayward {
namespace {

struct FleetShape {
  int machines = 30;
  int periods = 16;  // of 14 days
  double mean = 0.6;  // outages a period of full exposure
  double cv = 0.7;  // between machines
  double growth = 1;  // of all rates from period to period
  double more_each = 0;  // outages that each one drags after it, on average: clusters
};

// Up hours of a period vary; what was foreseen are samples of the same law.
ForecastHistory Simulate(const FleetShape& shape, std::mt19937_64& random) {
  constexpr double kHours = 200;
  std::uniform_real_distribution<double> up(0.7 * kHours, kHours);
  ForecastHistory history(static_cast<std::size_t>(shape.machines));
  const double gamma_shape = shape.cv > 0 ? 1 / (shape.cv * shape.cv) : 1;
  for (std::vector<ForecastPeriod>& machine : history) {
    double rate = shape.mean / kHours;
    if (shape.cv > 0) rate = std::gamma_distribution<double>(gamma_shape, rate / gamma_shape)(random);
    for (int p = 0; p < shape.periods; ++p, rate *= shape.growth) {
      ForecastPeriod period;
      for (int s = 0; s < 5; ++s) period.foreseen.push_back(up(random));
      period.had.exposure = up(random);
      period.had.count = std::poisson_distribution<int>(rate * period.had.exposure)(random);
      if (shape.more_each > 0 && period.had.count > 0) {
        period.had.count += std::poisson_distribution<int>(shape.more_each * period.had.count)(random);
      }
      machine.push_back(period);
    }
  }
  return history;
}

struct Totals {
  std::vector<double> pit = std::vector<double>(10, 0.0);
  int forecasts = 0;
  std::vector<double> own_log, pooled_log, shrunk_log, own_ranked, pooled_ranked,
      shrunk_ranked;  // a fleet each
  int trend_enters = 0;
};

Totals RunFleets(const FleetShape& shape, int fleets, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  Totals totals;
  for (int fleet = 0; fleet < fleets; ++fleet) {
    const ForecastScores scores = ScoreForecasts(Simulate(shape, random), 4).value().value();
    for (std::size_t j = 0; j < 10; ++j) totals.pit[j] += scores.pit[j] * scores.forecasts;
    totals.forecasts += scores.forecasts;
    totals.own_log.push_back(scores.own.mean.log);
    totals.own_ranked.push_back(scores.own.mean.ranked);
    totals.pooled_log.push_back(scores.pooled.mean.log);
    totals.pooled_ranked.push_back(scores.pooled.mean.ranked);
    totals.shrunk_log.push_back(scores.shrunk.mean.log);
    totals.shrunk_ranked.push_back(scores.shrunk.mean.ranked);
    totals.trend_enters += scores.trend_enters ? 1 : 0;
  }
  for (double& height : totals.pit) height /= totals.forecasts;
  return totals;
}

double WorstPit(const Totals& totals) {
  double worst = 0;
  for (const double height : totals.pit) worst = std::max(worst, std::abs(height - 0.1));
  return worst;
}

void ExpectBetter(const std::vector<double>& first, const std::vector<double>& second, const char* what) {
  const PairedDifference difference = ComparePaired(first, second).value();
  std::cout << what << ": " << difference.mean << " (" << *difference.lower << " to " << *difference.upper
            << ")\n";
  EXPECT_LT(difference.upper.value(), 0) << what << ' ' << difference.mean;
}

// Fleets are independent: the paired 95 % interval over them lies below 0 for both scores and both rivals.
TEST(ForecastSimulationTest, ShrunkBeatsOwnAndPooledWhereMachinesDiffer) {
  for (const double cv : {0.5, 1.0}) {
    const Totals totals = RunFleets({.cv = cv}, 40, 11);
    ExpectBetter(totals.shrunk_log, totals.own_log, "log score against own");
    ExpectBetter(totals.shrunk_log, totals.pooled_log, "log score against pooled");
    ExpectBetter(totals.shrunk_ranked, totals.own_ranked, "ranked score against own");
    ExpectBetter(totals.shrunk_ranked, totals.pooled_ranked, "ranked score against pooled");
  }
}

// Where machines do not differ, the pooled rate is the truth and the shrunk one loses at most a trace.
TEST(ForecastSimulationTest, ShrunkLosesNextToNothingWhereMachinesDoNotDiffer) {
  const Totals totals = RunFleets({.cv = 0}, 40, 12);
  const PairedDifference against_pooled = ComparePaired(totals.shrunk_log, totals.pooled_log).value();
  std::cout << "log score against pooled: " << against_pooled.mean << '\n';
  EXPECT_LT(against_pooled.mean, 0.002);
  ExpectBetter(totals.shrunk_log, totals.own_log, "log score against own");
}

// 30 · 12 · 40 = 14,400 forecasts: a bin of one tenth scatters by √(0.1·0.9/14,400) = 0.25 %, a little more
// as a machine's forecasts hang together; four times that is the tolerance.
TEST(ForecastSimulationTest, TheTransformIsEven) {
  const Totals totals = RunFleets({.mean = 1.5, .cv = 0.7}, 40, 13);
  std::cout << "greatest departure of a tenth: " << WorstPit(totals) << '\n';
  EXPECT_LT(WorstPit(totals), 0.010);
}

// Outages that come in threes are more scattered than any Poisson forecast allows: the ends of the transform
// stand out.
TEST(ForecastSimulationTest, ClustersShowAsHighEnds) {
  const Totals totals = RunFleets({.mean = 1, .cv = 0.7, .more_each = 2}, 40, 16);
  std::cout << "lowest and highest tenth: " << totals.pit.front() << ' ' << totals.pit.back() << '\n';
  EXPECT_GT(totals.pit.front(), 0.15);
  EXPECT_GT(totals.pit.back(), 0.15);
}

// Rates that double over four periods are not forecast by what was, and the trend gets in. Without a trend it
// gets in by chance: both tests at 5 %, of which one is tested at each fleet's end.
TEST(ForecastSimulationTest, TheTrendEntersWhereThereIsOne) {
  const Totals rising = RunFleets({.mean = 0.3, .cv = 0.7, .growth = 1.19}, 25, 14);
  EXPECT_GE(rising.trend_enters, 20);
  const Totals steady = RunFleets({.cv = 0.7}, 80, 15);
  std::cout << "steady fleets with a trend, of 80: " << steady.trend_enters << '\n';
  // Binomial(80, 5 %) exceeds 9 with probability 0.6 %.
  EXPECT_LE(steady.trend_enters, 9);
}

}  // namespace
}  // namespace bayward
