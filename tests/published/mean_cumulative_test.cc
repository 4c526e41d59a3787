#include "server/statistics/mean_cumulative.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <limits>
#include <map>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

using testing::OracleRow;
using testing::ReadOracle;

using Units = std::vector<UnitHistory>;

UnitHistory Watched(double until, std::vector<double> events) { return {{{0, until}}, std::move(events)}; }

MeanCumulative Estimate(const Units& units, double confidence = 0.95) {
  const absl::StatusOr<MeanCumulative> curve = EstimateMeanCumulative(units, confidence);
  EXPECT_TRUE(curve.ok()) << curve.status();
  return curve.value_or(MeanCumulative());
}

const MeanCumulativeStep& StepAt(const MeanCumulative& curve, double age) {
  const auto step = std::find_if(curve.steps.begin(), curve.steps.end(),
                                 [&](const MeanCumulativeStep& s) { return s.age == age; });
  EXPECT_NE(step, curve.steps.end()) << "no step at age " << age;
  static const MeanCumulativeStep none;
  return step == curve.steps.end() ? none : *step;
}

// C4.1. Five systems: "Recurrent Event Data Analysis" of an open reliability wiki, as printed in the
// documentation of the open-source Python package "reliability" (docs/Mean cumulative function.rst). Seen.
Units FiveSystems() {
  return {Watched(17, {5, 10, 15}), Watched(19, {6, 13, 17}), Watched(26, {12, 20, 25}),
          Watched(24, {13, 15}), Watched(28, {16, 22, 25})};
}

TEST(MeanCumulativePublishedTest, FiveSystems) {
  const double published[][2] = {{5, 0.2},  {6, 0.4},  {10, 0.6},     {12, 0.8},     {13, 1.2},    {15, 1.6},
                                 {16, 1.8}, {17, 2.0}, {20, 2.33333}, {22, 2.66667}, {25, 3.66667}};
  const MeanCumulative curve = Estimate(FiveSystems());
  ASSERT_EQ(curve.steps.size(), std::size(published));
  for (const auto& [age, mean] : published) EXPECT_NEAR(StepAt(curve, age).mean, mean, 5e-6) << age;
  EXPECT_EQ(curve.from, 0);
  EXPECT_EQ(curve.until, 28);
}

// The same pages print variances and limits that add the steps as if independent, here recomputed from our
// counts (each event is of another unit). This is not the variance we use.
TEST(MeanCumulativePublishedTest, FiveSystemsVarianceOfIndependentSteps) {
  const std::map<double, double> published = {
      {5, 0.032}, {17, 0.32}, {20, 0.394074}, {22, 0.468148}, {25, 0.718148}};
  double variance = 0;
  double last = 0;
  for (const MeanCumulativeStep& step : Estimate(FiveSystems()).steps) {
    const auto n = static_cast<double>(step.at_risk);
    const auto d = static_cast<double>(step.events);
    // Printed as one term for each event: n = 2 with both at 25 is 2·(1/4)·(1/4 + 1/4).
    variance += d * ((1 - 1 / n) * (1 - 1 / n) + (n - 1) / (n * n)) / (n * n);
    if (published.contains(step.age)) {
      EXPECT_NEAR(variance, published.at(step.age), 5e-7) << step.age;
    }
    last = step.mean;
  }
  const double factor = std::exp(1.644853627 * std::sqrt(variance) / last);
  EXPECT_NEAR(last / factor, 2.50710, 5e-5);
  EXPECT_NEAR(last * factor, 5.36255, 5e-5);
}

// Robust (Lawless–Nadeau) variance of the same data. Recomputed independently (R 4.2.2, scipy 1.10.1).
TEST(MeanCumulativePublishedTest, FiveSystemsRobustVariance) {
  const MeanCumulative curve = Estimate(FiveSystems(), 0.9);
  const double recomputed[][2] = {{5, 0.032},  {6, 0.048},    {10, 0.128},   {13, 0.112},  {15, 0.208},
                                  {17, 0.160}, {20, 0.18963}, {22, 0.14519}, {25, 0.14519}};
  for (const auto& [age, variance] : recomputed)
    EXPECT_NEAR(StepAt(curve, age).variance, variance, 5e-6) << age;
  const MeanCumulativeStep& last = StepAt(curve, 25);
  const double factor = std::exp(1.644853627 * std::sqrt(last.variance) / last.mean);
  EXPECT_NEAR(*last.lower, last.mean / factor, 1e-8);
  EXPECT_NEAR(*last.upper, last.mean * factor, 1e-8);
  // Narrower here than the published 2.50710 to 5.36255: these systems fail more regularly than by chance.
  EXPECT_GT(*last.lower, 2.50710);
  EXPECT_LT(*last.upper, 5.36255);
}

// C4.3. Three systems, the small example of Meeker and Escobar (1998), ch. 16 (attribution from memory); data
// seen in R package SMRD, hpcrepairs. Outputs computed.
Units ThreeSystems() { return {Watched(12, {5, 8}), Watched(16, {}), Watched(20, {1, 8, 16})}; }

TEST(MeanCumulativePublishedTest, ThreeSystems) {
  const MeanCumulative curve = Estimate(ThreeSystems());
  const double computed[][3] = {
      {1, 1.0 / 3, 0.074074}, {5, 2.0 / 3, 0.074074}, {8, 4.0 / 3, 0.296296}, {16, 11.0 / 6, 0.754630}};
  ASSERT_EQ(curve.steps.size(), std::size(computed));
  for (const auto& [age, mean, variance] : computed) {
    EXPECT_NEAR(StepAt(curve, age).mean, mean, 1e-12) << age;
    EXPECT_NEAR(StepAt(curve, age).variance, variance, 5e-7) << age;
  }
  // The system whose observation ends at 16 is still at risk for the event at 16.
  EXPECT_EQ(StepAt(curve, 16).at_risk, 2);
}

Units UnitsOf(const OracleRow& row) {
  std::map<double, UnitHistory> units;
  const auto unit = row.Numbers("span_unit");
  for (std::size_t i = 0; i < unit.size(); ++i) {
    units[unit[i]].at_risk.push_back({row.Numbers("from")[i], row.Numbers("to")[i]});
  }
  const auto event_unit = row.Numbers("event_unit");
  const auto event_age = row.Numbers("event_age");
  for (std::size_t i = 0; i < event_unit.size(); ++i) units[event_unit[i]].events.push_back(event_age[i]);
  Units list;
  for (auto& [number, history] : units) list.push_back(std::move(history));
  return list;
}

void ExpectAsTold(const OracleRow& row, const Units& units) {
  const std::string& name = row.Text("case");
  const MeanCumulative curve = Estimate(units, row.Number("confidence"));
  const auto age = row.Numbers("age");
  const auto at_risk = row.Numbers("at_risk");
  const auto events = row.Numbers("events");
  const auto mean = row.Numbers("mean");
  const auto variance = row.Numbers("variance");
  const auto lower = row.Numbers("lower");
  const auto upper = row.Numbers("upper");
  ASSERT_EQ(curve.steps.size(), age.size()) << name;
  EXPECT_EQ(curve.events_left_out, 0) << name;
  for (std::size_t i = 0; i < age.size(); ++i) {
    const MeanCumulativeStep& step = curve.steps[i];
    EXPECT_EQ(step.age, age[i]) << name;
    EXPECT_EQ(static_cast<double>(step.at_risk), at_risk[i]) << name;
    EXPECT_EQ(static_cast<double>(step.events), events[i]) << name;
    EXPECT_NEAR(step.mean, mean[i], 1e-9 * mean[i]) << name;
    EXPECT_NEAR(step.variance, variance[i], 1e-9 * std::max(1.0, variance[i])) << name;
    ASSERT_EQ(step.lower.has_value(), !std::isnan(lower[i])) << name << " at " << age[i];
    if (!step.lower.has_value()) continue;
    EXPECT_NEAR(*step.lower, lower[i], 1e-8 * lower[i]) << name;
    EXPECT_NEAR(*step.upper, upper[i], 1e-8 * upper[i]) << name;
  }
}

// tests/oracles/mean_cumulative.R: a double sum, and survfit() of R 4.2.2, survival 3.5-3.
TEST(MeanCumulativeOracleTest, RandomHistoriesWithLateEntryAndReturns) {
  for (const OracleRow& row : ReadOracle("mean_cumulative.csv")) ExpectAsTold(row, UnitsOf(row));
}

// C6.4. tests/oracles/valve_seat.csv, whose columns state origin and licence; outputs from the table above.
TEST(MeanCumulativeOracleTest, ValveSeats) {
  Units engines;
  long replacements = 0;
  for (const OracleRow& row : ReadOracle("valve_seat.csv")) {
    engines.push_back(Watched(row.Number("end"), row.Numbers("replacements")));
    replacements += static_cast<long>(engines.back().events.size());
  }
  EXPECT_EQ(engines.size(), 41u);
  EXPECT_EQ(replacements, 48);
  const std::vector<OracleRow> table = ReadOracle("mean_cumulative.csv");
  const auto row = std::find_if(table.begin(), table.end(),
                                [](const OracleRow& r) { return r.Text("case") == "valve_seat"; });
  ASSERT_NE(row, table.end());
  ExpectAsTold(*row, engines);
  // The first by hand: one of 41 engines at 61 days.
  const MeanCumulative curve = Estimate(engines);
  EXPECT_NEAR(curve.steps.front().mean, 1.0 / 41, 1e-12);
  EXPECT_EQ(curve.until, 761);
}

TEST(MeanCumulativeTest, AUnitOutOfSightDoesNotCountAsAtRisk) {
  // The first is not seen from 10 to 20; the second enters at 5, where the first has an event.
  const Units units = {{{{0, 10}, {20, 30}}, {5, 25}}, {{{5, 30}}, {15}}};
  const MeanCumulative curve = Estimate(units);
  ASSERT_EQ(curve.steps.size(), 3u);
  EXPECT_EQ(curve.steps[0].at_risk, 1);
  EXPECT_EQ(curve.steps[1].at_risk, 1);
  EXPECT_EQ(curve.steps[2].at_risk, 2);
  EXPECT_EQ(curve.steps[2].mean, 2.5);
}

TEST(MeanCumulativeTest, WhereNobodyWasAtRiskTheCurveEnds) {
  const Units units = {{{{2, 10}, {12, 20}}, {5, 15, 16}}, {{{3, 9}}, {}}};
  const MeanCumulative curve = Estimate(units);
  EXPECT_EQ(curve.from, 2);
  EXPECT_EQ(curve.until, 10);
  EXPECT_EQ(curve.events_left_out, 2);
  ASSERT_EQ(curve.steps.size(), 1u);
  EXPECT_EQ(MeanCumulativeAt(curve, 1), std::nullopt);
  EXPECT_EQ(MeanCumulativeAt(curve, 2), 0);
  EXPECT_EQ(MeanCumulativeAt(curve, 5), 0.5);
  EXPECT_EQ(MeanCumulativeAt(curve, 10), 0.5);
  EXPECT_EQ(MeanCumulativeAt(curve, 15), std::nullopt);
}

TEST(MeanCumulativeTest, SpansThatAbutAreOne) {
  const MeanCumulative split = Estimate({{{{0, 5}, {5, 12}}, {5, 8}}, Watched(10, {3})});
  const MeanCumulative whole = Estimate({Watched(12, {5, 8}), Watched(10, {3})});
  ASSERT_EQ(split.steps.size(), whole.steps.size());
  for (std::size_t i = 0; i < split.steps.size(); ++i) {
    EXPECT_EQ(split.steps[i].mean, whole.steps[i].mean);
    EXPECT_NEAR(split.steps[i].variance, whole.steps[i].variance, 1e-15);
  }
}

TEST(MeanCumulativeTest, UnitsThatDoNotDifferGiveNoLimits) {
  EXPECT_EQ(Estimate({Watched(10, {1, 4, 9})}).steps.back().lower, std::nullopt);
  EXPECT_EQ(Estimate({Watched(10, {1, 4}), Watched(10, {1, 4})}).steps.back().upper, std::nullopt);
  EXPECT_TRUE(Estimate({Watched(10, {1, 4}), Watched(10, {1})}).steps.back().upper.has_value());
}

TEST(MeanCumulativeTest, NothingWatchedHasNoSteps) {
  EXPECT_TRUE(Estimate({}).steps.empty());
  EXPECT_TRUE(Estimate({Watched(10, {})}).steps.empty());
  EXPECT_EQ(Estimate({Watched(10, {})}).until, 10);
  EXPECT_TRUE(Estimate({UnitHistory()}).steps.empty());
}

TEST(MeanCumulativeDifferenceTest, IsThatOfTheTwoCurvesWithTheSumOfTheirVariances) {
  const Units a = FiveSystems();
  const Units b = ThreeSystems();
  const auto steps = CompareMeanCumulative(a, b, 0.9);
  ASSERT_TRUE(steps.ok()) << steps.status();
  const MeanCumulative of_a = Estimate(a);
  const MeanCumulative of_b = Estimate(b);
  const auto variance_at = [](const MeanCumulative& curve, double age) {
    double variance = 0;
    for (const MeanCumulativeStep& step : curve.steps) {
      if (step.age <= age) variance = step.variance;
    }
    return variance;
  };
  std::vector<double> ages;
  for (const MeanCumulativeDifferenceStep& step : *steps) {
    ages.push_back(step.age);
    EXPECT_NEAR(step.difference, *MeanCumulativeAt(of_a, step.age) - *MeanCumulativeAt(of_b, step.age),
                1e-12);
    EXPECT_NEAR(step.variance, variance_at(of_a, step.age) + variance_at(of_b, step.age), 1e-12);
    EXPECT_NEAR(*step.upper - *step.lower, 2 * 1.644853627 * std::sqrt(step.variance), 1e-8);
    EXPECT_NEAR((*step.upper + *step.lower) / 2, step.difference, 1e-12);
  }
  // Only to 20, where the last of the three was left.
  EXPECT_EQ(ages, (std::vector<double>{1, 5, 6, 8, 10, 12, 13, 15, 16, 17, 20}));
}

TEST(MeanCumulativeDifferenceTest, CountsFromTheLaterBeginning) {
  const Units early = {Watched(20, {2, 8, 14}), Watched(20, {3, 9})};
  const Units late = {{{{5, 30}}, {10}}, {{{6, 30}}, {}}};
  const auto steps = CompareMeanCumulative(early, late);
  ASSERT_TRUE(steps.ok()) << steps.status();
  ASSERT_EQ(steps->size(), 4u);  // 8, 9, 10, 14
  EXPECT_EQ(steps->front().age, 8);
  EXPECT_EQ(steps->front().difference, 0.5);
  EXPECT_EQ(steps->back().difference, 1.5 - 0.5);
  const auto turned = CompareMeanCumulative(late, early);
  ASSERT_TRUE(turned.ok());
  EXPECT_EQ(turned->back().difference, -steps->back().difference);
  EXPECT_EQ(*turned->back().lower, -*steps->back().upper);
}

TEST(MeanCumulativeDifferenceTest, IsEmptyWithoutAnAgeInCommon) {
  const Units young = {Watched(5, {1, 2})};
  const Units old = {{{{5, 9}}, {6}}};
  EXPECT_TRUE(CompareMeanCumulative(young, old)->empty());
  EXPECT_TRUE(CompareMeanCumulative(young, {})->empty());
  // Out of sight where the other begins: what it had there is not known.
  const Units back = {{{{0, 5}, {7, 20}}, {2, 10}}};
  EXPECT_TRUE(CompareMeanCumulative(back, old)->empty());
}

TEST(MeanCumulativeTest, RefusesWhatHasNoMeaning) {
  constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const double infinity = std::numeric_limits<double>::infinity();
  const auto code = [](const UnitHistory& unit, double confidence = 0.95) {
    const auto single = EstimateMeanCumulative({{unit}}, confidence).status().code();
    EXPECT_EQ(CompareMeanCumulative({{unit}}, {}, confidence).status().code(), single);
    EXPECT_EQ(CompareMeanCumulative({}, {{unit}}, confidence).status().code(), single);
    return single;
  };
  EXPECT_EQ(code(Watched(5, {1, 1, 5})), absl::StatusCode::kOk);
  EXPECT_EQ(code(Watched(5, {0})), kInvalid);  // enters at 0: not yet at risk
  EXPECT_EQ(code(Watched(5, {6})), kInvalid);
  EXPECT_EQ(code(Watched(5, {3, 2})), kInvalid);
  EXPECT_EQ(code(Watched(5, {nan})), kInvalid);
  EXPECT_EQ(code(Watched(0, {})), kInvalid);
  EXPECT_EQ(code(Watched(infinity, {})), kInvalid);
  EXPECT_EQ(code(Watched(nan, {})), kInvalid);
  EXPECT_EQ(code({{{0, 5}, {4, 8}}, {}}), kInvalid);
  EXPECT_EQ(code({{{0, 5}, {7, 9}}, {6}}), kInvalid);
  EXPECT_EQ(code({{{0, 5}, {7, 9}}, {5, 9}}), absl::StatusCode::kOk);
  for (const double confidence : {0.0, 1.0, nan}) EXPECT_EQ(code(Watched(5, {1}), confidence), kInvalid);
}

}  // namespace
}  // namespace bayward
