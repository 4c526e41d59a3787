// Run lengths of the charts, and false alarms and detection of drift on simulated fleets, with fixed seeds.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <iostream>
#include <optional>
#include <random>
#include <vector>

#include "boost/math/distributions/chi_squared.hpp"
#include "gtest/gtest.h"
#include "server/figures/cycle_drift.h"
#include "server/statistics/cusum.h"

namespace bayward {
namespace {

using Random = std::mt19937_64;

struct Mean {
  double value = 0;
  double error = 0;  // standard error
};
Mean MeanOf(const std::vector<double>& values) {
  const double n = static_cast<double>(values.size());
  double sum = 0;
  double squares = 0;
  for (const double value : values) sum += value;
  for (const double value : values) squares += (value - sum / n) * (value - sum / n);
  return {sum / n, std::sqrt(squares / (n - 1) / n)};
}

// Standard normal with first-order autocorrelation.
class Noise {
 public:
  explicit Noise(double autocorrelation)
      : carried_(autocorrelation), fresh_(std::sqrt(1 - autocorrelation * autocorrelation)) {}
  double Next(Random& random) {
    value_ = carried_ * value_ + fresh_ * normal_(random);
    return value_;
  }

 private:
  double carried_;
  double fresh_;
  std::normal_distribution<double> normal_;
  double value_ = 0;
};

Mean SimulatedRunLength(double reference, double limit, ChartSides sides, double autocorrelation, int runs,
                        std::uint64_t seed) {
  Random random(seed);
  std::vector<double> lengths;
  for (int run = 0; run < runs; ++run) {
    CusumChart chart = *CusumChart::Create(reference, limit);
    Noise noise(autocorrelation);
    int scores = 0;
    do {
      chart.Add(noise.Next(random));
      ++scores;
    } while (!chart.signals_above() && (sides == ChartSides::kUpper || !chart.signals_below()));
    lengths.push_back(scores);
  }
  return MeanOf(lengths);
}

// Tolerance of run lengths: four standard errors of the simulation, printed.
void ExpectRunLength(const Mean& found, double expected) {
  std::cout << "run length " << found.value << " (standard error " << found.error << "), computed "
            << expected << "\n";
  EXPECT_NEAR(found.value, expected, 4 * found.error);
}

TEST(RunLengthSimulationTest, TheUsualChartWouldFloodAFleet) {
  const Mean found = SimulatedRunLength(0.5, 5, ChartSides::kBoth, 0, 4000, 1);
  ExpectRunLength(found, *CusumRunLength(0.5, 5, 0, ChartSides::kBoth));
  // 2,000 machines with 40 washes a day.
  EXPECT_NEAR(2000 * 40 / found.value, 172, 172 * 4 * found.error / found.value);
}

TEST(RunLengthSimulationTest, OneInFiftyThousand) {
  for (const double reference : {0.5, 0.25}) {
    const double limit = *CusumLimitFor(reference, 5e4, ChartSides::kUpper);
    ExpectRunLength(SimulatedRunLength(reference, limit, ChartSides::kUpper, 0, 250, 2), 5e4);
  }
}

// The allowance for autocorrelated scores gives at least the run length asked for; without it, a fraction.
TEST(RunLengthSimulationTest, AutocorrelationIsAllowedFor) {
  constexpr double kAutocorrelation = 0.3;
  constexpr double kWeekly = 20;
  for (const double reference : {0.5, 0.25}) {
    const DriftDesign design = *SolveDriftDesign(kWeekly, reference, kAutocorrelation);
    const DriftDesign naive = *SolveDriftDesign(kWeekly, reference, 0);
    const auto simulated = [&](double limit) {
      return SimulatedRunLength(reference, limit, ChartSides::kUpper, kAutocorrelation, 200, 3);
    };
    const Mean allowed = simulated(design.limit);
    const Mean ignored = simulated(naive.limit);
    std::cout << "k " << reference << ": h " << design.limit << " runs " << allowed.value << " ("
              << allowed.error << "), h " << naive.limit << " runs " << ignored.value << " (" << ignored.error
              << ")\n";
    EXPECT_GT(allowed.value + 2 * allowed.error, kMachineWeeksPerFalseAlarm * kWeekly);
    EXPECT_LT(ignored.value, kMachineWeeksPerFalseAlarm * kWeekly / 3);
  }
}

// A fleet whose washes take 300 s, 12 % longer for large vehicles (35 %), reported in whole seconds.
struct Fleet {
  int machines;
  double washes_per_day;
  bool sizes_reported;
  double autocorrelation;
  double spread;  // standard deviation of a wash of one size, as a share of its length
};

constexpr double kSecondsPerDay = 86400;

absl::Time Day(double day) { return absl::UnixEpoch() + absl::Seconds(kSecondsPerDay * day); }

// Each machine from an empty chart to `days`, washing 5 % slower from `slower_from` on.
std::vector<CycleDrift> Simulate(const Fleet& fleet, double days, double slower_from, std::uint64_t seed) {
  const DriftDesign design = *SolveDriftDesign(7 * fleet.washes_per_day);
  Random random(seed);
  std::uniform_real_distribution<double> uniform;
  std::vector<CycleDrift> results;
  for (int machine = 0; machine < fleet.machines; ++machine) {
    CycleDriftChart chart = *CycleDriftChart::Create(design, absl::Seconds(1));
    Noise noise(fleet.autocorrelation);
    for (double day = 0; day < days; day += (0.2 + 1.6 * uniform(random)) / fleet.washes_per_day) {
      const bool large = uniform(random) < 0.35;
      const double seconds = 300 * (large ? 1.12 : 1) * (1 + fleet.spread * noise.Next(random)) *
                             (day >= slower_from ? 1.05 : 1);
      EXPECT_TRUE(chart
                      .Add({.finished_at = Day(day),
                            .duration = absl::Seconds(std::round(seconds)),
                            .programme = "gloss",
                            .size_class = fleet.sizes_reported ? (large ? 2 : 1) : 0})
                      .ok());
    }
    results.push_back(chart.Result());
  }
  return results;
}

// The baseline is estimated from the same washes. Claim: at most one false alarm in 1,000 machine-weeks;
// shown where the one-sided 95 % upper Poisson limit, χ²(0.95; 2n + 2)/2, of what was simulated is below it.
TEST(FalseAlarmSimulationTest, AtMostOneInAThousandMachineWeeks) {
  constexpr double kDays = 26 * 7;
  for (const Fleet& fleet :
       {Fleet{900, 8, true, 0.3, 0.03}, Fleet{800, 20, true, 0.3, 0.03}, Fleet{400, 20, false, 0.3, 0.03},
        Fleet{300, 40, true, 0.3, 0.10}, Fleet{800, 20, true, 0.5, 0.03}}) {
    double machine_weeks = 0;
    std::size_t alarms = 0;
    for (const CycleDrift& drift : Simulate(fleet, kDays, 2 * kDays, 4)) {
      machine_weeks += absl::ToDoubleHours(Day(kDays) - drift.baseline_to) / (24 * 7);
      alarms += drift.past.size() + (drift.slower ? 1 : 0);
    }
    const boost::math::chi_squared upper(2.0 * static_cast<double>(alarms) + 2);
    const double upper_limit =
        boost::math::quantile(upper, 0.95) / 2 / machine_weeks * kMachineWeeksPerFalseAlarm;
    std::cout << fleet.washes_per_day << " a day, sizes " << (fleet.sizes_reported ? "reported" : "unknown")
              << ", autocorrelation " << fleet.autocorrelation << ", spread " << fleet.spread << ": "
              << alarms << " false alarms in " << machine_weeks
              << " machine-weeks, upper limit per 1,000: " << upper_limit << "\n";
    EXPECT_LT(upper_limit, 1);
  }
}

// The first stretch confirmed after `onset`.
std::optional<SlowStretch> FirstAfter(const CycleDrift& drift, absl::Time onset) {
  for (const SlowStretch& stretch : drift.past) {
    if (stretch.confirmed_at > onset) return stretch;
  }
  return drift.slower;
}

struct Delay {
  Fleet fleet;
  double days_max;  // mean delay that is claimed
};

// 5 % slower from day 60 on, to day 120.
TEST(DetectionSimulationTest, FivePercentSlowerIsFound) {
  constexpr double kOnset = 60;
  for (const Delay& claim :
       {Delay{{150, 8, true, 0.3, 0.03}, 3.5}, Delay{{150, 40, true, 0.3, 0.03}, 3.1},
        Delay{{150, 40, false, 0.3, 0.03}, 3.5}, Delay{{150, 40, true, 0.3, 0.10}, 6.5}}) {
    std::vector<double> delays;
    std::vector<double> began;
    std::vector<double> percent;
    for (const CycleDrift& drift : Simulate(claim.fleet, 2 * kOnset, kOnset, 5)) {
      const std::optional<SlowStretch> found = FirstAfter(drift, Day(kOnset));
      ASSERT_TRUE(found.has_value());
      delays.push_back(absl::ToDoubleHours(found->confirmed_at - Day(kOnset)) / 24);
      began.push_back(absl::ToDoubleHours(found->began_at - Day(kOnset)) / 24);
      percent.push_back(found->shift_percent);
    }
    const Mean delay = MeanOf(delays);
    const Mean start = MeanOf(began);
    const Mean shift = MeanOf(percent);
    std::cout << claim.fleet.washes_per_day << " a day, sizes "
              << (claim.fleet.sizes_reported ? "reported" : "unknown") << ", spread " << claim.fleet.spread
              << ": found after " << delay.value << " days (" << delay.error << "), begun " << start.value
              << " (" << start.error << "), " << shift.value << " % (" << shift.error << ")\n";
    EXPECT_LT(delay.value, claim.days_max + 2 * delay.error);
    EXPECT_NEAR(start.value, 0, 2);
    EXPECT_NEAR(shift.value, 5, 0.25);
  }
}

}  // namespace
}  // namespace bayward
