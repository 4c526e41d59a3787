// How far the fits of a trend and their limits can be relied on, counted over simulated machines with fixed
// seeds. A share is expected between the two bounds stated, each widened by 4 Monte Carlo standard errors; what
// was found stands in the comments.
#include <algorithm>
#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "server/statistics/log_linear_trend.h"
#include "server/statistics/power_law.h"
#include "server/statistics/trend_tests.h"
#include "tests/support/trend_simulation.h"

namespace bayward {
namespace {

// A machine with β = 2 whose exposure at the start is 3 1/3 windows: counted from the window's start the fit
// tends to (r + 1/2)/(r + 1/4) with r = 10/3, 1.0698. Found: 1.0707, and 1.998 by the left-truncated
// likelihood.
TEST(TrendFitsSimulationTest, PowerLawFittedFromTheWindowsStartHidesWear) {
  Random random(5);
  double sum_window = 0;
  double sum_truncated = 0;
  int covered = 0;
  const int machines = 500;
  const double window = 1;
  const double start = 10.0 / 3;
  for (int i = 0; i < machines; ++i) {
    EventHistory from_commissioning{.at = {}, .end = start + window, .ended_by = Termination::kTime};
    EventHistory from_window{.at = {}, .end = window, .ended_by = Termination::kTime};
    for (int k = 0; k < 2000; ++k) {
      const double end_square = (start + window) * (start + window);
      from_commissioning.at.push_back(
          std::sqrt(start * start + (1 - Uniform(random)) * (end_square - start * start)));
    }
    std::sort(from_commissioning.at.begin(), from_commissioning.at.end());
    for (const double at : from_commissioning.at) from_window.at.push_back(std::min(at - start, window));
    sum_window += Value(FitPowerLaw(from_window, 0, 0.9)).shape;
    const PowerLawFit fit = Value(FitPowerLaw(from_commissioning, start, 0.9));
    sum_truncated += fit.shape;
    covered += fit.shape_lower <= 2 && 2 <= fit.shape_upper;
  }
  // Errors of the means: 1.07/sqrt(2000·500) and, with sd 1/(ln 1.3·sqrt(2000/12)) of one fit, 0.0132.
  EXPECT_NEAR(sum_window / machines, 1.0698, 4 * 0.0011);
  EXPECT_NEAR(sum_truncated / machines, 2, 4 * 0.0132);
  ExpectShare(covered, machines, 0.9, 0.9, "90 % limits of the shape with left truncation");
}

// Some 10 events of a machine with β = 1.5, from commissioning, and from where 5 % of them lie behind. Found:
// 89.9, 93.6 (exact limits of a count are wider than asked for) and 89.9 %.
TEST(TrendFitsSimulationTest, LimitsOfThePowerLawCover) {
  Random random(7);
  int shape = 0;
  int mtbf = 0;
  int truncated = 0;
  int truncated_judged = 0;
  int judged = 0;
  for (int i = 0; i < 20000; ++i) {
    EventHistory history = SteadyPoisson(random, 10);
    if (history.at.size() < 2) continue;
    ++judged;
    for (double& at : history.at) at = std::pow(1 - at, 1 / 1.5);
    std::sort(history.at.begin(), history.at.end());
    const PowerLawFit fit = Value(FitPowerLaw(history, 0, 0.9));
    shape += fit.shape_lower <= 1.5 && 1.5 <= fit.shape_upper;
    const MtbfLimits limits = Value(CrowMtbfLimits(fit, 0.9));
    const double truth = 1 / (10 * 1.5);
    mtbf += limits.lower <= truth && truth <= *limits.upper;
    for (double& at : history.at) at = std::pow(0.05 + 0.95 * std::pow(at, 1.5), 1 / 1.5);
    const absl::StatusOr<PowerLawFit> seen = FitPowerLaw(history, std::pow(0.05, 1 / 1.5), 0.9);
    if (!seen.ok()) continue;
    ++truncated_judged;
    truncated += seen->shape_lower <= 1.5 && 1.5 <= seen->shape_upper;
  }
  ExpectShare(shape, judged, 0.9, 0.9, "90 % chi-square limits of the shape");
  ExpectShare(mtbf, judged, 0.9, 0.95, "90 % exact limits of the mean between events at the end");
  ExpectShare(truncated, truncated_judged, 0.9, 0.9, "90 % ratio limits of the shape with left truncation");
  EXPECT_GT(truncated_judged, judged * 0.97);
}

// Limits for many events, tried on 10 or so. Found: 89.0 % and 5.6 %.
TEST(TrendFitsSimulationTest, LimitsOfTheLogLinearSlopeCover) {
  Random random(9);
  int covered = 0;
  int judged = 0;
  int flagged = 0;
  for (int i = 0; i < 20000; ++i) {
    EventHistory history = SteadyPoisson(random, 10);
    if (history.at.size() < 2) continue;
    ++judged;
    flagged += Value(FitLogLinearTrend(history, 0.9)).probability < 0.05;
    for (double& at : history.at) at = std::log1p(at * std::expm1(1.2)) / 1.2;
    const LogLinearTrendFit fit = Value(FitLogLinearTrend(history, 0.9));
    covered += fit.slope_lower <= 1.2 && 1.2 <= fit.slope_upper;
  }
  ExpectShare(covered, judged, 0.88, 0.9, "90 % ratio limits of the slope");
  ExpectShare(flagged, judged, 0.05, 0.06, "likelihood ratio at 5 % without trend");
}

}  // namespace
}  // namespace bayward
