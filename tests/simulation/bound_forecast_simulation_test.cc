// The forecast bound to timelines, on fleets whose machines break and are restored by known laws: calibrated, and
// better than plain averages.
#include <algorithm>
#include <cmath>
#include <iostream>
#include <memory>
#include <random>
#include <vector>

#include "gtest/gtest.h"
#include "server/figures/kind_forecast.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kMachines = 20;
constexpr int kPeriods = 20;
constexpr int kOpens = 7 * 60;
constexpr int kCloses = 21 * 60;
constexpr int kDay = 24 * 60;
constexpr int kNow = kPeriods * 14 * kDay;

struct FleetLaw {
  double outages = 1.5;     // a period of full up time
  double cv = 0.7;          // between machines
  double hours_median = 3;  // of restoration, log-normal
  double hours_sigma = 1.5;
};

Calendar ByDay() {
  Calendar calendar = AlwaysOpen();
  for (auto& day : calendar.hours.front().days) day = {{kOpens, kCloses}};
  return calendar;
}

// Breaks in open hours only; one in eight days of the year it is closed by hand.
MachineHistory Play(const FleetLaw& law, std::mt19937_64& random) {
  HistoryBuilder builder;
  builder.Observed(0, testing::kOpen).ObservedUntil(kNow);
  const double shape = 1 / (law.cv * law.cv);
  const double per_minute =
      std::gamma_distribution<double>(shape, law.outages / shape)(random) / (14.0 * (kCloses - kOpens));
  std::exponential_distribution<double> next(per_minute);
  std::lognormal_distribution<double> hours(std::log(law.hours_median), law.hours_sigma);
  std::bernoulli_distribution closed(0.125);
  double wait = next(random);
  int down_until = 0;
  for (int day = 0; day < kNow / kDay; ++day) {
    const int opens = day * kDay + kOpens;
    const int closes = day * kDay + kCloses;
    if (closed(random) && down_until <= opens) {
      builder.Closed(opens, closes);
      continue;
    }
    for (int at = std::max(opens, down_until); at < closes;) {
      if (at + wait >= closes) {
        wait -= closes - at;
        break;
      }
      const int begins = at + static_cast<int>(wait);
      down_until = begins + std::max(1, static_cast<int>(60 * hours(random)));
      builder.Fault(kJam, begins, down_until >= kNow ? testing::kOpen : down_until);
      wait = next(random);
      at = std::max(down_until, begins + 1);
    }
  }
  return builder.Build();
}

struct Totals {
  std::vector<double> pit = std::vector<double>(10, 0.0);
  int forecasts = 0;
  std::vector<double> used, own, pooled;  // log scores, one a fleet
};

Totals RunFleets(const FleetLaw& law, int fleets, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  Totals totals;
  for (int fleet = 0; fleet < fleets; ++fleet) {
    std::vector<std::unique_ptr<MachineTimeline>> timelines;
    std::vector<ForecastMachine> machines;
    for (int m = 0; m < kMachines; ++m) {
      timelines.push_back(std::make_unique<MachineTimeline>(Play(law, random), ByDay(), Span(0, kNow), false));
      machines.push_back({.timeline = timelines.back().get(),
                          .planned = IntervalSet{Span(kNow, kNow + 14 * kDay)},
                          .seed = static_cast<std::uint64_t>(fleet * kMachines + m)});
    }
    const KindForecast forecast = ForecastKind(machines, machines, At(kNow)).value();
    const ForecastScores& scores = forecast.scores.value();
    for (std::size_t j = 0; j < 10; ++j) totals.pit[j] += scores.pit[j] * scores.forecasts;
    totals.forecasts += scores.forecasts;
    totals.used.push_back(scores.used.mean.log);
    totals.own.push_back(scores.own.mean.log);
    totals.pooled.push_back(scores.pooled.mean.log);
  }
  for (double& height : totals.pit) height /= totals.forecasts;
  return totals;
}

PairedDifference Told(const std::vector<double>& first, const std::vector<double>& second, const char* what) {
  const PairedDifference difference = ComparePaired(first, second).value();
  std::cout << what << ": " << difference.mean << " (" << *difference.lower << " to " << *difference.upper << ")\n";
  return difference;
}

// 20 machines · 16 origins · 12 fleets = 3,840 forecasts: a tenth scatters by √(0.09/3,840) = 0.5 %, somewhat more as
// a machine's forecasts hang together; four times that is the tolerance.
TEST(BoundForecastSimulationTest, IsCalibratedAndBeatsPlainAverages) {
  const Totals totals = RunFleets({}, 12, 41);
  double worst = 0;
  for (const double height : totals.pit) worst = std::max(worst, std::abs(height - 0.1));
  std::cout << totals.forecasts << " forecasts; greatest departure of a tenth: " << worst << '\n';
  EXPECT_LT(worst, 0.02);
  EXPECT_LT(Told(totals.used, totals.own, "log score less own").upper.value(), 0);
  EXPECT_LT(Told(totals.used, totals.pooled, "log score less pooled").upper.value(), 0);
}

// Machines alike: the pooled average is the truth, and the forecast loses next to nothing against it.
TEST(BoundForecastSimulationTest, LosesNextToNothingWhereMachinesAreAlike) {
  const Totals totals = RunFleets({.cv = 0.01}, 8, 42);
  EXPECT_LT(Told(totals.used, totals.pooled, "log score less pooled").mean, 0.005);
  EXPECT_LT(Told(totals.used, totals.own, "log score less own").upper.value(), 0);
}

}  // namespace
}  // namespace bayward::testing
