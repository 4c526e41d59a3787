#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <vector>

#include "gtest/gtest.h"
#include "server/statistics/log_linear_trend.h"
#include "server/statistics/power_law.h"
#include "server/statistics/trend_tests.h"
#include "server/statistics/uniform_tilt.h"
#include "tests/support/trend_histories.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kInfinity = std::numeric_limits<double>::infinity();

TEST(TrendTestsTest, RefuseWhatIsNoHistory) {
  for (const EventHistory& history :
       {EndedByTime({1}, 0), EndedByTime({1}, -1), EndedByTime({1}, kInfinity), EndedByTime({1}, kNan),
        EndedByTime({2, 1, 3, 4}, 10), EndedByTime({1, 2, 3, 11}, 10), EndedByTime({-1, 2, 3, 4}, 10),
        EndedByTime({1, kNan, 3, 4}, 10), EndedByFailure({1, 2, 3, 4}, 10), EndedByFailure({}, 10)}) {
    EXPECT_EQ(CheckEvents(history).code(), kInvalid);
    EXPECT_EQ(Code(LaplaceTest(history)), kInvalid);
    EXPECT_EQ(Code(MilitaryHandbookTest(history)), kInvalid);
    EXPECT_EQ(Code(ReverseArrangementTest(history)), kInvalid);
    EXPECT_EQ(Code(LewisRobinsonTest(history)), kInvalid);
    EXPECT_EQ(Code(FitPowerLaw(history, 0, 0.9)), kInvalid);
    EXPECT_EQ(Code(FitLogLinearTrend(history, 0.9)), kInvalid);
    EXPECT_EQ(Code(PowerLawGoodnessOfFit(history, 10, 1)), kInvalid);
  }
  EXPECT_TRUE(CheckEvents(EndedByTime({}, 10)).ok());
  EXPECT_TRUE(CheckEvents(EndedByTime({0, 1, 1, 10}, 10)).ok());
  EXPECT_TRUE(CheckEvents(EndedByFailure({1, 2, 3, 10}, 10)).ok());
}

TEST(TrendTestsTest, EachHasItsLeastNumberOfEvents) {
  EXPECT_EQ(Code(LaplaceTest(EndedByTime({}, 10))), kInvalid);
  EXPECT_TRUE(LaplaceTest(EndedByTime({5}, 10)).ok());
  EXPECT_EQ(Code(LaplaceTest(EndedByFailure({10}, 10))), kInvalid);
  EXPECT_TRUE(LaplaceTest(EndedByFailure({5, 10}, 10)).ok());
  EXPECT_EQ(Code(MilitaryHandbookTest(EndedByTime({}, 10))), kInvalid);
  EXPECT_TRUE(MilitaryHandbookTest(EndedByTime({5}, 10)).ok());
  EXPECT_EQ(Code(MilitaryHandbookTest(EndedByTime({0, 5}, 10))), kInvalid);
  EXPECT_EQ(Code(ReverseArrangementTest(EndedByTime({5}, 10))), kInvalid);
  EXPECT_TRUE(ReverseArrangementTest(EndedByTime({5, 6}, 10)).ok());
  EXPECT_EQ(Code(LewisRobinsonTest(EndedByTime({5, 6}, 10))), kInvalid);
  EXPECT_TRUE(LewisRobinsonTest(EndedByTime({5, 6, 8}, 10)).ok());
  EXPECT_EQ(Code(LewisRobinsonTest(EndedByTime({1, 2, 3}, 10))), kInvalid);  // all equal
  EXPECT_EQ(Code(LewisRobinsonTest(EndedByTime({0, 0, 0}, 10))), kInvalid);
}

// Every order of 7 intervals counted: a full enumeration beside the recurrence.
TEST(TrendTestsTest, ReverseArrangementsAgreeWithAllOrders) {
  std::vector<int> order(7);
  std::iota(order.begin(), order.end(), 1);
  std::vector<int> ways(22, 0);
  int orders = 0;
  std::vector<std::vector<double>> example(22);
  do {
    int longer = 0;
    for (std::size_t k = 0; k < order.size(); ++k) {
      for (std::size_t j = 0; j < k; ++j) longer += order[k] > order[j];
    }
    ++ways[static_cast<std::size_t>(longer)];
    ++orders;
    example[static_cast<std::size_t>(longer)].assign(order.begin(), order.end());
  } while (std::next_permutation(order.begin(), order.end()));
  for (std::size_t count = 0; count < ways.size(); ++count) {
    std::vector<double>& at = example[count];
    std::partial_sum(at.begin(), at.end(), at.begin());
    const TrendTest test = Value(ReverseArrangementTest(EndedByTime(at, 100)));
    const auto from = [&](std::size_t first, std::size_t last) {
      int sum = 0;
      for (std::size_t i = first; i <= last; ++i) sum += ways[i];
      return static_cast<double>(sum) / orders;
    };
    EXPECT_EQ(test.statistic, static_cast<double>(count));
    EXPECT_NEAR(test.p_improving, from(count, 21), 1e-14);
    EXPECT_NEAR(test.p_worsening, from(0, count), 1e-14);
  }
}

TEST(TrendTestsTest, EqualIntervalsSpeakForNeitherSide) {
  const TrendTest test = Value(ReverseArrangementTest(EndedByTime({1, 2, 3, 4, 5, 6}, 6)));
  EXPECT_EQ(test.statistic, 0);
  EXPECT_DOUBLE_EQ(test.p_improving, 1);
  EXPECT_DOUBLE_EQ(test.p_worsening, 1);
}

TEST(TrendTestsTest, TheUnitOfExposureDoesNotMatter) {
  const EventHistory history = Worsening();
  for (const double unit : {1e-12, 3.0, 1e12}) {
    EventHistory other = history;
    other.end *= unit;
    for (double& at : other.at) at *= unit;
    EXPECT_NEAR(Value(LaplaceTest(other)).statistic, Value(LaplaceTest(history)).statistic, 1e-10);
    EXPECT_NEAR(Value(MilitaryHandbookTest(other)).statistic, Value(MilitaryHandbookTest(history)).statistic,
                1e-10);
    EXPECT_NEAR(Value(LewisRobinsonTest(other)).statistic, Value(LewisRobinsonTest(history)).statistic,
                1e-10);
    EXPECT_NEAR(Value(FitPowerLaw(other, 0, 0.9)).shape, Value(FitPowerLaw(history, 0, 0.9)).shape, 1e-10);
    const LogLinearTrendFit slope = Value(FitLogLinearTrend(other, 0.9));
    EXPECT_NEAR(slope.slope * other.end, Value(FitLogLinearTrend(history, 0.9)).slope * history.end, 1e-9);
    EXPECT_NEAR(ExpectedEvents(slope, 0, other.end), 20, 1e-9);
  }
}

TEST(TrendTestsTest, AHistoryReadBackwardsHasTheOppositeTrend) {
  const EventHistory history = Worsening();
  const EventHistory reversed = Reversed(history);
  EXPECT_NEAR(Value(LaplaceTest(history)).statistic, -Value(LaplaceTest(reversed)).statistic, 1e-12);
  const LogLinearTrendFit there = Value(FitLogLinearTrend(history, 0.9));
  const LogLinearTrendFit back = Value(FitLogLinearTrend(reversed, 0.9));
  EXPECT_NEAR(there.slope, -back.slope, 1e-12);
  EXPECT_NEAR(there.slope_lower, -back.slope_upper, 1e-10);
  EXPECT_NEAR(there.p_worsening, back.p_improving, 1e-12);
  EXPECT_NEAR(there.window_factor * back.window_factor, 1, 1e-10);
  EXPECT_NEAR(LogLinearIntensity(there, 100) / LogLinearIntensity(there, 0), there.window_factor, 1e-10);
}

TEST(UniformTiltTest, EstimateTurnsTheMeanBack) {
  for (const double tilt :
       {-400.0, -20.0, -1.0, -0.03, -0.01, -1e-6, 0.0, 1e-9, 0.015, 0.02, 0.021, 2.0, 50.0}) {
    EXPECT_NEAR(SolveTilt(TiltMean(tilt)), tilt, std::max(1e-12, std::abs(tilt) * 1e-10)) << tilt;
    // Mean and variance are the derivatives of the log normalizer.
    const double h = 1e-4 * std::max(1.0, std::abs(tilt));
    EXPECT_NEAR((TiltLogNormalizer(tilt + h) - TiltLogNormalizer(tilt - h)) / (2 * h), TiltMean(tilt), 1e-7);
    EXPECT_NEAR((TiltMean(tilt + h) - TiltMean(tilt - h)) / (2 * h), TiltVariance(tilt), 1e-7);
  }
}

TEST(PowerLawTest, RefusesWhatHasNoFit) {
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({5}, 10), 0, 0.9)), kInvalid);
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({0, 5}, 10), 0, 0.9)), kInvalid);
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({10, 10}, 10), 0, 0.9)), kInvalid);
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({5, 6}, 10), -1, 0.9)), kInvalid);
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({5, 6}, 10), 10, 0.9)), kInvalid);
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({5, 6}, 10), 5, 0.9)), kInvalid);      // an event at the start
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({5.1, 5.2}, 10), 5, 0.9)), kInvalid);  // crowded at the start
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({5, 6}, 10), 0, 1)), kInvalid);
  EXPECT_EQ(Code(FitPowerLaw(EndedByTime({5, 6}, 10), 0, kNan)), kInvalid);
  EXPECT_TRUE(FitPowerLaw(EndedByTime({5, 6}, 10), 0, 0.9).ok());
  EXPECT_TRUE(FitPowerLaw(EndedByTime({8, 9}, 10), 5, 0.9).ok());
  const PowerLawFit by_failure = Value(FitPowerLaw(EndedByFailure({5, 10}, 10), 0, 0.9));
  EXPECT_EQ(by_failure.shape_unbiased, std::nullopt);
  EXPECT_LT(by_failure.shape_lower, by_failure.shape_upper);
  EXPECT_EQ(Code(PowerLawGoodnessOfFit(EndedByTime({5, 6}, 10), 0, 1)), kInvalid);
  EXPECT_EQ(Code(PowerLawGoodnessOfFit(EndedByFailure({5, 10}, 10), 10, 1)), kInvalid);
  EXPECT_TRUE(PowerLawGoodnessOfFit(EndedByTime({5, 6}, 10), 10, 1).ok());
  EXPECT_EQ(Code(CrowMtbfLimits(PowerLawFit{}, 0.9)), kInvalid);
  EXPECT_EQ(Code(CrowMtbfLimits(by_failure, 0)), kInvalid);
}

TEST(PowerLawTest, TruncationJustAfterCommissioningIsNone) {
  const EventHistory history = Worsening();
  const PowerLawFit from_zero = Value(FitPowerLaw(history, 0, 0.9));
  const PowerLawFit from_early = Value(FitPowerLaw(history, 1e-9, 0.9));
  EXPECT_NEAR(from_early.shape, from_zero.shape, 1e-9);
  EXPECT_NEAR(from_early.log_likelihood, from_zero.log_likelihood, 1e-8);
  const PowerLawFit from_late = Value(FitPowerLaw(history, 20, 0.9));
  EXPECT_NEAR(ExpectedEvents(from_late, 20, 100), 20, 1e-9);
}

// Few events late in the last hundredth of a long life: β is large and λ below any double, the figures are
// not.
TEST(PowerLawTest, ALargeShapeLeavesFiguresFinite) {
  const PowerLawFit fit = Value(FitPowerLaw(EndedByTime({1.999e6, 1.9992e6, 1.9998e6}, 2e6), 1.98e6, 0.9));
  EXPECT_GT(fit.shape, 1000);
  EXPECT_EQ(fit.scale, 0);
  EXPECT_NEAR(ExpectedEvents(fit, 1.98e6, 2e6), 3, 1e-9);
  EXPECT_NEAR(PowerLawIntensity(fit, 2e6) * 2e6 / (3 * fit.shape), 1, 1e-3);
  EXPECT_TRUE(std::isfinite(fit.log_likelihood));
}

TEST(PowerLawTest, FineCountsGiveTheFitOfExactTimes) {
  const EventHistory history = Worsening();
  for (const double start : {0.0, 20.0}) {
    GroupedEvents grouped{.start = start, .ends = {}, .counts = {}};
    const int cells = 20000;
    for (int i = 1; i <= cells; ++i) {
      grouped.ends.push_back(start + (100 - start) * i / cells);
      grouped.counts.push_back(0);
    }
    for (const double at : history.at) {
      ++grouped.counts[static_cast<std::size_t>((at - start) / (100 - start) * cells)];
    }
    const PowerLawFit exact = Value(FitPowerLaw(history, start, 0.9));
    const GroupedPowerLawFit fit = Value(FitGroupedPowerLaw(grouped));
    EXPECT_NEAR(fit.shape, exact.shape, 1e-3);
    EXPECT_EQ(fit.events, 20);
    EXPECT_NEAR(std::accumulate(fit.expected.begin(), fit.expected.end(), 0.0), 20, 1e-8);
    EXPECT_EQ(fit.degrees_of_freedom, 1);  // 3 groups that expect at least 5
  }
}

TEST(PowerLawTest, RefusesCountsWithoutAFit) {
  const auto code = [](std::vector<double> ends, std::vector<int> counts, double start = 0) {
    return Code(FitGroupedPowerLaw({.start = start, .ends = std::move(ends), .counts = std::move(counts)}));
  };
  EXPECT_EQ(code({10, 20}, {1}), kInvalid);
  EXPECT_EQ(code({10}, {3}), kInvalid);
  EXPECT_EQ(code({10, 10}, {3, 3}), kInvalid);
  EXPECT_EQ(code({10, 20}, {3, 3}, 10), kInvalid);
  EXPECT_EQ(code({10, 20}, {3, 3}, -1), kInvalid);
  EXPECT_EQ(code({10, 20}, {3, -3}), kInvalid);
  EXPECT_EQ(code({10, 20}, {0, 0}), kInvalid);
  EXPECT_EQ(code({10, 20}, {0, 3}), kInvalid);
  EXPECT_EQ(code({10, 20}, {3, 0}), kInvalid);
  EXPECT_EQ(code({10, 20}, {9, 1}, 5), kInvalid);
  EXPECT_EQ(code({10, 20}, {3, 3}), absl::StatusCode::kOk);
  EXPECT_EQ(code({10, 20}, {3, 9}, 5), absl::StatusCode::kOk);
  // Two groups leave no degree of freedom: the fit is not judged.
  const GroupedPowerLawFit fit =
      Value(FitGroupedPowerLaw({.start = 0, .ends = {10, 20}, .counts = {30, 30}}));
  EXPECT_EQ(fit.degrees_of_freedom, 0);
  EXPECT_EQ(fit.probability, std::nullopt);
  EXPECT_NEAR(fit.shape, 1, 1e-12);
}

TEST(LogLinearTrendTest, RefusesWhatHasNoSlope) {
  EXPECT_EQ(Code(FitLogLinearTrend(EndedByTime({5}, 10), 0.9)), kInvalid);
  EXPECT_EQ(Code(FitLogLinearTrend(EndedByTime({0, 0}, 10), 0.9)), kInvalid);
  EXPECT_EQ(Code(FitLogLinearTrend(EndedByTime({10, 10}, 10), 0.9)), kInvalid);
  EXPECT_EQ(Code(FitLogLinearTrend(EndedByTime({5, 6}, 10), 0)), kInvalid);
  EXPECT_EQ(Code(FitLogLinearTrend(EndedByFailure({5, 10}, 10), 0.9)), kInvalid);
  const LogLinearTrendFit steady = Value(FitLogLinearTrend(EndedByTime({2.5, 7.5}, 10), 0.9));
  EXPECT_EQ(steady.slope, 0);
  EXPECT_EQ(steady.probability, 1);
  EXPECT_NEAR(std::exp(steady.log_intensity), 0.2, 1e-12);
  EXPECT_NEAR(steady.slope_lower, -steady.slope_upper, 1e-10);
}

}  // namespace
}  // namespace bayward
