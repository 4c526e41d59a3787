#include "server/statistics/cusum.h"

#include <array>
#include <cmath>
#include <string>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

double Cusum(double reference, double limit, double shift, ChartSides sides = ChartSides::kBoth) {
  const absl::StatusOr<double> length = CusumRunLength(reference, limit, shift, sides);
  EXPECT_TRUE(length.ok()) << length.status();
  return length.value_or(0);
}
double Ewma(double weight, double limit, double shift, ChartSides sides = ChartSides::kBoth) {
  const absl::StatusOr<double> length = EwmaRunLength(weight, limit, shift, sides);
  EXPECT_TRUE(length.ok()) << length.status();
  return length.value_or(0);
}

// Two-sided CUSUM, k = 0.5, and EWMA charts of run length 500. Computed with R 4.2.2, spc 0.6.7.
TEST(CusumPublishedTest, RunLengthsOfTheUsualCharts) {
  EXPECT_NEAR(Cusum(0.5, 4, 0), 167.684, 5e-4);
  EXPECT_NEAR(Cusum(0.5, 4, 1), 8.38313, 5e-6);
  EXPECT_NEAR(Cusum(0.5, 5, 0), 465.4435, 5e-5);
  EXPECT_NEAR(Cusum(0.5, 5, 1), 10.3760, 5e-5);
  EXPECT_NEAR(Cusum(0.5, 5, 0, ChartSides::kUpper), 930.887, 5e-4);
  EXPECT_NEAR(Ewma(0.1, 2.814, 0), 499.58, 5e-3);
  EXPECT_NEAR(Ewma(0.2, 2.962, 0), 499.74, 5e-3);
  EXPECT_NEAR(Ewma(0.05, 2.615, 0), 499.93, 5e-3);
}

constexpr std::array<double, 10> kShifts = {0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4};

// D. C. Montgomery, Introduction to Statistical Quality Control, table of run lengths of the tabular CUSUM
// with k = 0.5 and h = 4 or 5. Values from memory, recomputed: unit of the last printed digit.
TEST(CusumPublishedTest, MontgomeryRunLengths) {
  constexpr std::array<double, 10> kFour = {168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71};
  constexpr std::array<double, 10> kFive = {465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01};
  for (std::size_t i = 0; i < kShifts.size(); ++i) {
    const double unit = kFour[i] >= 100 ? 1 : kFour[i] >= 10 ? 0.1 : 0.01;
    EXPECT_NEAR(Cusum(0.5, 4, kShifts[i]), kFour[i], unit) << kShifts[i];
    EXPECT_NEAR(Cusum(0.5, 5, kShifts[i]), kFive[i],
                kFive[i] >= 100  ? 1
                : kFive[i] >= 10 ? 0.1
                                 : 0.01)
        << kShifts[i];
  }
}

// D. M. Hawkins (1993), limits for a two-sided run length of 370. Values from memory, recomputed.
TEST(CusumPublishedTest, HawkinsLimits) {
  const double rows[][2] = {{0.25, 8.01}, {0.5, 4.77}, {0.75, 3.34}, {1, 2.52}, {1.25, 1.99}};
  for (const auto& [reference, limit] : rows) {
    const absl::StatusOr<double> found = CusumLimitFor(reference, 370, ChartSides::kBoth);
    ASSERT_TRUE(found.ok()) << found.status();
    EXPECT_NEAR(*found, limit, 5e-3) << reference;
  }
}

// J. M. Lucas & M. S. Saccucci, Technometrics 32 (1990), EWMA run lengths by shift. Values from memory,
// recomputed.
TEST(CusumPublishedTest, LucasSaccucciRunLengths) {
  struct Design {
    double weight;
    double limit;
    std::array<double, 10> lengths;
  };
  const Design designs[] = {
      {0.4, 3.054, {500, 224, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4}},
      {0.25, 2.998, {500, 170, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7}},
      {0.2, 2.962, {500, 150, 41.8, 18.2, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9}},
      {0.1, 2.814, {500, 106, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2}},
      {0.05, 2.615, {500, 84.1, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7}},
  };
  for (const Design& design : designs) {
    for (std::size_t i = 0; i < kShifts.size(); ++i) {
      EXPECT_NEAR(Ewma(design.weight, design.limit, kShifts[i]), design.lengths[i],
                  design.lengths[i] > 100 ? 0.51 : 0.11)
          << design.weight << " at " << kShifts[i];
    }
  }
}

// One false signal in 50,000 scores: h 8.97 at k = 0.5, 16.3 at k = 0.25. Computed with R 4.2.2, spc 0.6.7
// (xcusum.crit).
TEST(CusumPublishedTest, LimitsForOneInFiftyThousand) {
  EXPECT_NEAR(CusumLimitFor(0.5, 5e4, ChartSides::kUpper).value_or(0), 8.968762, 1e-6);
  EXPECT_NEAR(CusumLimitFor(0.25, 5e4, ChartSides::kUpper).value_or(0), 16.32032, 1e-5);
}

// Montgomery, same book, tabular CUSUM example: 30 values, target 10, σ = 1, k = 0.5, h = 5; the first signal
// is at value 29 with C⁺ = 5.28 and N⁺ = 7, which puts the beginning after value 22 and the new mean at
// 11.25. Data and results from memory, recomputed.
TEST(CusumPublishedTest, MontgomeryThirtyValues) {
  constexpr std::array<double, 30> kValues = {
      9.45, 7.99,  9.29,  11.66, 12.16, 10.18, 8.04, 11.46, 9.20,  10.34, 9.03,  11.47, 10.51, 9.40,  10.08,
      9.37, 10.62, 10.31, 8.52,  10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52};
  absl::StatusOr<CusumChart> chart = CusumChart::Create(0.5, 5);
  ASSERT_TRUE(chart.ok());
  for (std::size_t i = 0; i < kValues.size(); ++i) {
    chart->Add(kValues[i] - 10);
    EXPECT_EQ(chart->signals_above(), i + 1 >= 29) << "value " << i + 1;
    EXPECT_FALSE(chart->signals_below()) << "value " << i + 1;
    if (i + 1 == 22) {
      EXPECT_EQ(chart->upper().run, 0);
    }
    if (i + 1 != 29) continue;
    EXPECT_NEAR(chart->upper().sum, 5.28, 1e-9);
    EXPECT_EQ(chart->upper().run, 7);
    EXPECT_NEAR(10 + 0.5 + chart->upper().sum / static_cast<double>(chart->upper().run), 11.25, 5e-3);
  }
}

// tests/oracles/run_lengths.csv: R package spc over random designs.
TEST(CusumOracleTest, AgreesWithSpc) {
  for (const testing::OracleRow& row : testing::ReadOracle("run_lengths.csv")) {
    const ChartSides sides = row.Text("sides") == "one" ? ChartSides::kUpper : ChartSides::kBoth;
    const std::string& what = row.Text("what");
    const double parameter = row.Number("parameter");
    const double limit = row.Number("limit");
    const double length = row.Number("length");
    const std::string name = what + " " + row.Text("sides") + " " + row.Text("parameter") + " " +
                             row.Text("limit") + " " + row.Text("shift");
    if (what == "cusum") {
      EXPECT_NEAR(Cusum(parameter, limit, row.Number("shift"), sides) / length, 1, 1e-6) << name;
    } else if (what == "ewma") {
      EXPECT_NEAR(Ewma(parameter, limit, row.Number("shift"), sides) / length, 1, 1e-6) << name;
    } else {
      const auto found = what == "cusum_limit" ? CusumLimitFor(parameter, length, sides)
                                               : EwmaLimitFor(parameter, length, sides);
      ASSERT_TRUE(found.ok()) << name << found.status();
      EXPECT_NEAR(*found / limit, 1, 1e-6) << name;  // R stops its own search at about this
    }
  }
}

}  // namespace
}  // namespace bayward
