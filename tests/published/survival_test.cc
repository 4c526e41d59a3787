#include "server/statistics/survival.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

using testing::OracleRow;
using testing::ReadOracle;

constexpr double kInfinity = std::numeric_limits<double>::infinity();

SurvivalCurve Curve(const std::vector<SurvivalCase>& cases, const SurvivalOptions& options = {}) {
  const absl::StatusOr<SurvivalCurve> curve = EstimateSurvival(cases, options);
  EXPECT_TRUE(curve.ok()) << curve.status();
  return curve.value_or(SurvivalCurve());
}

RestrictedMean Mean(const std::vector<SurvivalCase>& cases, double horizon,
                    const SurvivalOptions& options = {}) {
  const absl::StatusOr<RestrictedMean> mean = EstimateRestrictedMean(cases, horizon, options);
  EXPECT_TRUE(mean.ok()) << mean.status();
  return mean.value_or(RestrictedMean());
}

SurvivalCase Event(double exit, int cluster = 0) { return {.exit = exit, .event = true, .cluster = cluster}; }
SurvivalCase Censored(double exit) { return {.exit = exit}; }
SurvivalCase Late(double entry, double exit, bool event) {
  return {.entry = entry, .exit = exit, .event = event};
}

// C14.1. Remission times of leukaemia patients on 6-MP, MASS::gehan (Freireich and others 1963; R package
// MASS). Outputs computed with R 4.2.2, survival 3.5-3.
std::vector<SurvivalCase> SixMp() {
  std::vector<SurvivalCase> cases;
  for (const double week : {6, 6, 6, 7, 10, 13, 16, 22, 23}) cases.push_back(Event(week));
  for (const double week : {6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35}) cases.push_back(Censored(week));
  return cases;
}

TEST(SurvivalPublishedTest, GehanCurve) {
  const SurvivalCurve curve = Curve(SixMp());
  const double times[] = {6, 7, 10, 13, 16, 22, 23};
  const double survival[] = {.8571, .8067, .7529, .6902, .6275, .5378, .4482};
  ASSERT_EQ(curve.steps.size(), std::size(times));
  for (std::size_t i = 0; i < std::size(times); ++i) {
    EXPECT_EQ(curve.steps[i].time, times[i]);
    EXPECT_NEAR(curve.steps[i].survival, survival[i], 5e-5) << times[i];
  }
  EXPECT_EQ(curve.steps[0].at_risk, 21);  // the one censored at 6 is still at risk at 6
  EXPECT_EQ(curve.steps[0].events, 3);
  EXPECT_EQ(curve.known_until, 35);
}

TEST(SurvivalPublishedTest, GehanMedianAndItsLimits) {
  const SurvivalPercentile by_log = FindPercentile(Curve(SixMp(), {.limits = SurvivalLimits::kLog}), 0.5);
  const SurvivalPercentile by_log_log = FindPercentile(Curve(SixMp()), 0.5);
  EXPECT_EQ(by_log.time, 23);
  EXPECT_EQ(by_log.lower, 16);
  EXPECT_EQ(by_log.upper, std::nullopt);
  EXPECT_EQ(by_log_log.time, 23);
  EXPECT_EQ(by_log_log.lower, 13);
  EXPECT_EQ(by_log_log.upper, std::nullopt);
  EXPECT_EQ(FindPercentile(Curve(SixMp()), 0.9).time, std::nullopt);  // not reached
}

TEST(SurvivalPublishedTest, GehanRestrictedMean) {
  const RestrictedMean mean = Mean(SixMp(), 35);
  EXPECT_NEAR(mean.mean, 23.3, 0.05);
  EXPECT_NEAR(*mean.standard_error, 2.83, 0.005);
  EXPECT_EQ(mean.horizon, 35);
}

std::vector<SurvivalCase> CasesOf(const OracleRow& row) {
  const std::vector<double> entry = row.Numbers("entry");
  const std::vector<double> exit = row.Numbers("exit");
  const std::vector<double> event = row.Numbers("event");
  const std::vector<double> cluster = row.Numbers("cluster");
  std::vector<SurvivalCase> cases;
  for (std::size_t i = 0; i < exit.size(); ++i) {
    cases.push_back({entry[i], exit[i], event[i] == 1, static_cast<int>(cluster[i])});
  }
  return cases;
}

// The table has 11 significant digits.
constexpr double kDigits = 1e-9;

void ExpectLike(const std::optional<double>& found, double expected, const std::string& what) {
  ASSERT_EQ(found.has_value(), !std::isnan(expected)) << what;
  if (found.has_value()) {
    EXPECT_NEAR(*found, expected, kDigits * std::max(1.0, std::abs(expected))) << what;
  }
}

void ExpectCurve(const OracleRow& row, const SurvivalCurve& curve, const char* error, const char* lower,
                 const char* upper) {
  const std::vector<double> time = row.Numbers("time");
  const std::string at = std::string(error) + " of exits " + row.Text("exit");
  ASSERT_EQ(curve.steps.size(), time.size()) << at;
  for (std::size_t i = 0; i < time.size(); ++i) {
    const SurvivalStep& step = curve.steps[i];
    EXPECT_EQ(step.time, time[i]) << at;
    EXPECT_EQ(static_cast<double>(step.at_risk), row.Numbers("at_risk")[i]) << at;
    EXPECT_EQ(static_cast<double>(step.events), row.Numbers("events")[i]) << at;
    EXPECT_NEAR(step.survival, row.Numbers("survival")[i], kDigits) << at;
    ExpectLike(step.standard_error, row.Numbers(error)[i], at);
    ExpectLike(step.lower, row.Numbers(lower)[i], at);
    ExpectLike(step.upper, row.Numbers(upper)[i], at);
  }
}

// tests/oracles/survival.R: survfit() of R 4.2.2, survival 3.5-3.
TEST(SurvivalOracleTest, CurvesVariancesAndLimitsAreThoseOfSurvfit) {
  for (const OracleRow& row : ReadOracle("survival.csv")) {
    const std::vector<SurvivalCase> cases = CasesOf(row);
    const double confidence = row.Number("confidence");
    const auto curve = [&](SurvivalVariance variance, SurvivalLimits limits) {
      return Curve(cases, {variance, limits, confidence});
    };
    using enum SurvivalVariance;
    using enum SurvivalLimits;
    ExpectCurve(row, curve(kGreenwood, kLogLog), "error", "lower", "upper");
    ExpectCurve(row, curve(kGreenwood, kLog), "error", "log_lower", "log_upper");
    ExpectCurve(row, curve(kClustered, kLogLog), "cluster_error", "cluster_lower", "cluster_upper");
  }
}

TEST(SurvivalOracleTest, PercentilesAndRestrictedMeans) {
  for (const OracleRow& row : ReadOracle("survival.csv")) {
    const std::vector<SurvivalCase> cases = CasesOf(row);
    const SurvivalOptions options{.confidence = row.Number("confidence")};
    const SurvivalCurve curve = Curve(cases, options);
    ExpectLike(FindPercentile(curve, 0.5).time, row.Number("median"), "median");
    ExpectLike(FindPercentile(curve, 0.5).lower, row.Number("median_lower"), "median_lower");
    ExpectLike(FindPercentile(curve, 0.5).upper, row.Number("median_upper"), "median_upper");
    ExpectLike(FindPercentile(curve, 0.9).time, row.Number("p90"), "p90");
    const double horizon = row.Number("horizon");
    const RestrictedMean mean = Mean(cases, horizon, options);
    EXPECT_EQ(mean.horizon, horizon);
    ExpectLike(mean.mean, row.Number("mean"), "mean");
    const bool any_event = !curve.steps.empty() && curve.steps.front().time < horizon;
    ASSERT_EQ(mean.standard_error.has_value(), any_event);
    const RestrictedMean clustered = Mean(cases, horizon, {.variance = SurvivalVariance::kClustered});
    const RestrictedMean larger = Mean(cases, horizon, {.variance = SurvivalVariance::kLarger});
    if (!any_event) continue;
    ExpectLike(mean.standard_error, row.Number("mean_error"), "mean_error");
    ExpectLike(clustered.standard_error, row.Number("mean_cluster_error"), "mean_cluster_error");
    EXPECT_EQ(larger.standard_error, std::max(mean.standard_error, clustered.standard_error));
  }
}

TEST(SurvivalTest, EveryCaseWatchedToItsEventGivesTheEmpiricalDistribution) {
  std::vector<SurvivalCase> cases;
  for (int i = 1; i <= 1000; ++i) cases.push_back(Event(i));
  const SurvivalCurve curve = Curve(cases);
  EXPECT_NEAR(curve.steps[499].survival, 0.5, 1e-13);
  // On paper exactly one half at 500: rounding must not push the median to 501.
  EXPECT_EQ(FindPercentile(curve, 0.5).time, 500);
  EXPECT_EQ(FindPercentile(curve, 0.9).time, 900);
  EXPECT_EQ(curve.known_until, kInfinity);
  EXPECT_NEAR(Mean(cases, 5000).mean, 500.5, 1e-9);
  EXPECT_EQ(Mean(cases, 5000).horizon, 5000);
}

TEST(SurvivalTest, LimitsOfTheRestrictedMean) {
  const std::vector<SurvivalCase> cases = {Event(1), Event(2), Event(4), Event(9)};
  const RestrictedMean mean = Mean(cases, 20);
  EXPECT_DOUBLE_EQ(mean.mean, 4);
  // Of a complete sample the standard error is √(Σ(x − mean)²)/n.
  EXPECT_NEAR(*mean.standard_error, std::sqrt(9.0 + 4 + 0 + 25) / 4, 1e-12);
  EXPECT_NEAR(*mean.lower, 4 * std::exp(-1.959963985 * *mean.standard_error / 4), 1e-8);
  // The area under the upper limits, the one at 4 going on to the horizon since at 9 there is none.
  const SurvivalCurve curve = Curve(cases);
  EXPECT_EQ(curve.steps[3].upper, std::nullopt);
  EXPECT_NEAR(*mean.upper, 1 + *curve.steps[0].upper + 2 * *curve.steps[1].upper + 16 * *curve.steps[2].upper,
              1e-12);
  // At no event is it below what the error alone gives, nor above the horizon.
  EXPECT_GT(*mean.upper, 4 * std::exp(1.959963985 * *mean.standard_error / 4));
  EXPECT_LE(*Mean(cases, 1.5).upper, 1.5);
}

TEST(SurvivalTest, EventsAtTimeZeroCount) {
  const std::vector<SurvivalCase> cases = {Event(0), Event(0), Event(4), Censored(6)};
  const SurvivalCurve curve = Curve(cases);
  ASSERT_EQ(curve.steps.size(), 2u);
  EXPECT_EQ(curve.steps[0].time, 0);
  EXPECT_EQ(curve.steps[0].survival, 0.5);
  EXPECT_EQ(FindPercentile(curve, 0.5).time, 0);
  EXPECT_EQ(Mean(cases, 4).mean, 2);
  EXPECT_EQ(Mean({Event(0), Event(0)}, 4).mean, 0);
}

TEST(SurvivalTest, TheCurveEndsWhereNobodyIsWatched) {
  // Nobody from 5 to 8: what happened there is not known.
  const std::vector<SurvivalCase> gap = {Event(3), Censored(5), Late(8, 12, true)};
  EXPECT_EQ(Curve(gap).known_until, 5);
  EXPECT_EQ(Curve(gap).steps.size(), 1u);
  EXPECT_EQ(Mean(gap, 20).horizon, 5);
  EXPECT_EQ(Mean(gap, 20).mean, 3 + 2 * 0.5);
  // One that enters where the last leaves closes the gap, though it is not yet watched at that time.
  const std::vector<SurvivalCase> joined = {Event(3), Censored(5), Late(5, 12, true)};
  EXPECT_EQ(Curve(joined).known_until, kInfinity);
  EXPECT_EQ(Curve(joined).steps.size(), 2u);
}

TEST(SurvivalTest, ACurveThatFellToZeroTooEarlySaysNothingBeyond) {
  // The only one watched had its event at 2; the two that enter later lasted longer.
  const std::vector<SurvivalCase> cases = {Event(2), Late(4, 10, true), Late(5, 11, false)};
  EXPECT_EQ(Curve(cases).known_until, 2);
  EXPECT_EQ(Mean(cases, 20).horizon, 2);
  EXPECT_EQ(Mean(cases, 20).standard_error, std::nullopt);
}

TEST(SurvivalTest, WithoutEventsNothingIsSaidButHowLongOneWatched) {
  const std::vector<SurvivalCase> cases = {Censored(3), Censored(7)};
  EXPECT_TRUE(Curve(cases).steps.empty());
  EXPECT_EQ(Curve(cases).known_until, 7);
  EXPECT_EQ(FindPercentile(Curve(cases), 0.5).time, std::nullopt);
  EXPECT_EQ(Mean(cases, 10).mean, 7);
  EXPECT_EQ(Mean(cases, 10).lower, std::nullopt);
  EXPECT_EQ(Curve({}).known_until, 0);
  EXPECT_EQ(Mean({}, 10).mean, 0);
}

TEST(SurvivalTest, ASingleClusterGivesNoClusteredVariance) {
  const std::vector<SurvivalCase> one = {Event(1, 7), Event(2, 7), Event(3, 7)};
  EXPECT_EQ(Curve(one, {.variance = SurvivalVariance::kClustered}).steps[0].lower, std::nullopt);
  EXPECT_EQ(Mean(one, 3, {.variance = SurvivalVariance::kClustered}).standard_error, std::nullopt);
  EXPECT_TRUE(Curve(one, {.variance = SurvivalVariance::kLarger}).steps[0].lower.has_value());
  const std::vector<SurvivalCase> two = {Event(1, 7), Event(2, 8), Event(3, 7)};
  EXPECT_TRUE(Curve(two, {.variance = SurvivalVariance::kClustered}).steps[0].lower.has_value());
}

// The running sum of squares against the sum over clusters written out, at a size where rounding could show.
TEST(SurvivalTest, ClusteredVarianceOfManyCasesIsTheDoubleSum) {
  std::mt19937_64 random(20260604);
  constexpr int kClusters = 300;
  std::vector<SurvivalCase> cases;
  for (int i = 0; i < 6000; ++i) {
    const double entry = i % 3 == 0 ? static_cast<double>(random() % 20) : -1;
    cases.push_back({entry, std::max(0.0, entry) + 1 + static_cast<double>(random() % 200), random() % 4 > 0,
                     static_cast<int>(random() % kClusters)});
  }
  const SurvivalCurve curve = Curve(cases, {.variance = SurvivalVariance::kClustered});
  std::vector<double> residual(kClusters);
  ASSERT_GT(curve.steps.size(), 150u);
  for (const SurvivalStep& step : curve.steps) {
    const auto n = static_cast<double>(step.at_risk);
    const auto d = static_cast<double>(step.events);
    if (n == d) break;
    for (const SurvivalCase& one : cases) {
      if (one.entry >= step.time || one.exit < step.time) continue;
      const double event = one.event && one.exit == step.time ? 1 : 0;
      residual[static_cast<std::size_t>(one.cluster)] += (event - d / n) / (n - d);
    }
    double variance = 0;
    for (const double r : residual) variance += r * r;
    EXPECT_NEAR(*step.standard_error / (step.survival * std::sqrt(variance)), 1, 1e-9) << step.time;
  }
}

TEST(SurvivalTest, TheOrderOfCasesAndTheNamesOfClustersDoNotMatter) {
  std::mt19937_64 random(20260603);
  std::vector<SurvivalCase> cases;
  for (int i = 0; i < 200; ++i) {
    const double entry = static_cast<double>(random() % 10);
    cases.push_back({entry, entry + 1 + static_cast<double>(random() % 40), random() % 3 > 0,
                     static_cast<int>(random() % 12)});
  }
  const SurvivalOptions how{.variance = SurvivalVariance::kClustered};
  const SurvivalCurve before = Curve(cases, how);
  std::shuffle(cases.begin(), cases.end(), random);
  for (SurvivalCase& one : cases) one.cluster = 1000 - one.cluster;
  const SurvivalCurve after = Curve(cases, how);
  ASSERT_EQ(before.steps.size(), after.steps.size());
  for (std::size_t i = 0; i < before.steps.size(); ++i) {
    EXPECT_EQ(before.steps[i].survival, after.steps[i].survival);
    if (!before.steps[i].standard_error.has_value()) continue;
    EXPECT_NEAR(*before.steps[i].standard_error, *after.steps[i].standard_error, 1e-12);
  }
}

TEST(SurvivalTest, LimitsEncloseTheCurveAndWidenWithConfidence) {
  const SurvivalCurve narrow = Curve(SixMp(), {.confidence = 0.5});
  const SurvivalCurve wide = Curve(SixMp(), {.confidence = 0.99});
  for (std::size_t i = 0; i < narrow.steps.size(); ++i) {
    EXPECT_LT(*wide.steps[i].lower, *narrow.steps[i].lower);
    EXPECT_LT(*narrow.steps[i].lower, narrow.steps[i].survival);
    EXPECT_LT(narrow.steps[i].survival, *narrow.steps[i].upper);
    EXPECT_LT(*narrow.steps[i].upper, *wide.steps[i].upper);
    EXPECT_LE(*wide.steps[i].upper, 1);
  }
}

TEST(SurvivalTest, RefusesWhatHasNoMeaning) {
  constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const auto code = [](const SurvivalCase& one, double confidence = 0.95) {
    return EstimateSurvival({{one}}, {.confidence = confidence}).status().code();
  };
  EXPECT_EQ(code(Event(1)), absl::StatusCode::kOk);
  EXPECT_EQ(code(Event(0)), absl::StatusCode::kOk);
  EXPECT_EQ(code(Event(-1)), kInvalid);
  EXPECT_EQ(code(Event(kInfinity)), kInvalid);
  EXPECT_EQ(code(Event(nan)), kInvalid);
  EXPECT_EQ(code(Late(2, 2, true)), kInvalid);
  EXPECT_EQ(code(Late(nan, 2, true)), kInvalid);
  for (const double confidence : {0.0, 1.0, nan}) EXPECT_EQ(code(Event(1), confidence), kInvalid);
  const std::vector<SurvivalCase> cases = {Event(1)};
  EXPECT_TRUE(EstimateRestrictedMean(cases, 1).ok());
  for (const double horizon : {0.0, -1.0, kInfinity, nan}) {
    EXPECT_EQ(EstimateRestrictedMean(cases, horizon).status().code(), kInvalid) << horizon;
  }
  EXPECT_EQ(FindPercentile(Curve(cases), 0).time, std::nullopt);
  EXPECT_EQ(FindPercentile(Curve(cases), 1).time, std::nullopt);
}

}  // namespace
}  // namespace bayward
