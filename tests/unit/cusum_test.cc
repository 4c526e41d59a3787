#include "server/statistics/cusum.h"

#include <cmath>
#include <limits>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// With weight 1 the weighted chart has no memory: its run length is that of independent trials.
TEST(CusumTest, WithoutMemoryTheRunLengthIsGeometric) {
  const double beyond = std::erfc(3 / std::sqrt(2.0));
  EXPECT_NEAR(EwmaRunLength(1, 3, 0, ChartSides::kBoth).value_or(0) * beyond, 1, 1e-9);
  EXPECT_NEAR(EwmaRunLength(1, 3, 0, ChartSides::kUpper).value_or(0) * beyond / 2, 1, 1e-9);
}

TEST(CusumTest, BothSidesRunHalfAsLong) {
  for (const double limit : {1.0, 4.0, 9.0}) {
    const double one = CusumRunLength(0.5, limit, 0, ChartSides::kUpper).value_or(0);
    EXPECT_DOUBLE_EQ(CusumRunLength(0.5, limit, 0, ChartSides::kBoth).value_or(0), one / 2);
  }
}

TEST(CusumTest, AShiftShortensAndALimitLengthensTheRun) {
  for (const double reference : {0.0, 0.25, 1.0}) {
    double last = std::numeric_limits<double>::infinity();
    for (const double shift : {0.0, 0.3, 1.0, 3.0, 10.0}) {
      const double length = CusumRunLength(reference, 5, shift, ChartSides::kUpper).value_or(0);
      EXPECT_GE(length, 1);
      EXPECT_LT(length, last) << shift;
      last = length;
    }
    EXPECT_LT(CusumRunLength(reference, 3, 0, ChartSides::kUpper).value_or(0),
              CusumRunLength(reference, 6, 0, ChartSides::kUpper).value_or(0));
  }
}

TEST(CusumTest, TheOtherSideOfALargeShiftDoesNotMatter) {
  const double both = CusumRunLength(0.5, 20, 3, ChartSides::kBoth).value_or(0);
  EXPECT_NEAR(both, CusumRunLength(0.5, 20, 3, ChartSides::kUpper).value_or(1), 1e-9);
}

// A sum without reference value is a random walk held at 0: about (h + 1.166)² scores (Siegmund, Sequential
// Analysis, 1985). The widest chart the quadrature takes.
TEST(CusumTest, TheWidestChartAgreesWithTheRandomWalk) {
  EXPECT_NEAR(CusumRunLength(0, 60, 0, ChartSides::kUpper).value_or(0) / (61.166 * 61.166), 1, 1e-3);
}

TEST(CusumTest, LimitAndRunLengthAreInverse) {
  for (const double length : {5.0, 370.0, 1e5, 1e7}) {
    for (const ChartSides sides : {ChartSides::kUpper, ChartSides::kBoth}) {
      const double cusum = CusumLimitFor(0.4, length, sides).value_or(0);
      EXPECT_NEAR(CusumRunLength(0.4, cusum, 0, sides).value_or(0) / length, 1, 1e-6) << length;
      const double ewma = EwmaLimitFor(0.15, length, sides).value_or(0);
      EXPECT_NEAR(EwmaRunLength(0.15, ewma, 0, sides).value_or(0) / length, 1, 1e-6) << length;
    }
  }
}

TEST(CusumTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const auto& result) { return result.status().code(); };
  constexpr ChartSides kUpper = ChartSides::kUpper;
  EXPECT_EQ(code(CusumRunLength(-0.1, 5, 0, kUpper)), kInvalid);
  EXPECT_EQ(code(CusumRunLength(0.5, 0, 0, kUpper)), kInvalid);
  EXPECT_EQ(code(CusumRunLength(0.5, 61, 0, kUpper)), kInvalid);
  EXPECT_EQ(code(CusumRunLength(0.5, 5, 11, kUpper)), kInvalid);
  EXPECT_EQ(code(CusumRunLength(kNaN, 5, 0, kUpper)), kInvalid);
  EXPECT_EQ(code(CusumRunLength(1, 40, 0, kUpper)), kInvalid);  // hardly ever signals
  EXPECT_TRUE(CusumRunLength(1, 8, 0, kUpper).ok());
  EXPECT_EQ(code(EwmaRunLength(0.001, 3, 0, kUpper)), kInvalid);
  EXPECT_EQ(code(EwmaRunLength(0.2, 11, 0, kUpper)), kInvalid);
  EXPECT_EQ(code(EwmaRunLength(0.2, 3, kNaN, kUpper)), kInvalid);
  EXPECT_TRUE(EwmaRunLength(0.01, 3, 0, kUpper).ok());
  EXPECT_EQ(code(CusumLimitFor(0.5, 0.5, kUpper)), kInvalid);
  EXPECT_EQ(code(CusumLimitFor(0.5, 1.2, kUpper)), kInvalid);  // below that of a chart with limit 0
  EXPECT_EQ(code(CusumLimitFor(0, 1e8, kUpper)),
            kInvalid);  // a walk held at 0 comes sooner to any limit in range
  EXPECT_EQ(code(CusumLimitFor(0.5, 1e10, kUpper)), kInvalid);
  EXPECT_EQ(code(EwmaLimitFor(2, 100, kUpper)), kInvalid);
  EXPECT_EQ(code(CusumChart::Create(-1, 5)), kInvalid);
  EXPECT_EQ(code(CusumChart::Create(0.5, 0)), kInvalid);
  EXPECT_EQ(code(CusumChart::Create(0.5, 5, 4)), kInvalid);
  EXPECT_TRUE(CusumChart::Create(0.5, 5, 5).ok());
  EXPECT_EQ(code(EwmaChart::Create(0, 3)), kInvalid);
  EXPECT_EQ(code(EwmaChart::Create(0.2, kNaN)), kInvalid);
  EXPECT_TRUE(EwmaChart::Create(1, 3).ok());
}

TEST(CusumTest, AChartWithACeilingForgetsInBoundedTime) {
  CusumChart chart = *CusumChart::Create(0.5, 5, 10);
  for (int i = 0; i < 1000; ++i) chart.Add(3);
  EXPECT_DOUBLE_EQ(chart.upper().sum, 10);
  EXPECT_EQ(chart.upper().run, 1000);
  EXPECT_TRUE(chart.signals_above());
  for (int i = 0; i < 20; ++i) chart.Add(0);
  EXPECT_EQ(chart.upper().run, 0);
  EXPECT_FALSE(chart.signals_above());
}

TEST(CusumTest, SidesMirrorEachOtherAndNoNumberIsLeftOut) {
  CusumChart chart = *CusumChart::Create(0.25, 4);
  CusumChart mirrored = *CusumChart::Create(0.25, 4);
  for (const double score : {1.0, -0.5, 2.0, kNaN, 3.0, 0.1}) {
    chart.Add(score);
    mirrored.Add(-score);
    EXPECT_DOUBLE_EQ(chart.upper().sum, mirrored.lower().sum);
    EXPECT_EQ(chart.upper().run, mirrored.lower().run);
  }
  EXPECT_TRUE(chart.signals_above());
  EXPECT_TRUE(mirrored.signals_below());
  EXPECT_FALSE(mirrored.signals_above());
  chart.Reset();
  EXPECT_EQ(chart.upper().sum, 0);
}

TEST(EwmaChartTest, AveragesAndSignalsBeyondItsBound) {
  EwmaChart chart = *EwmaChart::Create(0.5, 3);
  EXPECT_NEAR(chart.bound(), 3 * std::sqrt(1.0 / 3), 1e-12);
  chart.Add(2);
  EXPECT_DOUBLE_EQ(chart.value(), 1);
  chart.Add(kNaN);
  chart.Add(2);
  EXPECT_DOUBLE_EQ(chart.value(), 1.5);
  EXPECT_FALSE(chart.signals_above());
  chart.Add(2.5);
  EXPECT_TRUE(chart.signals_above());
  EXPECT_FALSE(chart.signals_below());
}

}  // namespace
}  // namespace bayward
