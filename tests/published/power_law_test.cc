#include "server/statistics/power_law.h"

#include <cmath>
#include <vector>

#include "boost/math/special_functions/bessel.hpp"
#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

using testing::OracleRow;
using testing::ReadOracle;

template <typename T>
T Value(const absl::StatusOr<T>& result) {
  EXPECT_TRUE(result.ok()) << result.status();
  return result.value_or(T());
}

EventHistory EndedByTime(std::vector<double> at, double end) {
  return {.at = std::move(at), .end = end, .ended_by = Termination::kTime};
}

const EventHistory& HandbookTimes() {
  static const EventHistory history = EndedByTime(
      {2.6,  16.5,  16.5,  17.0,  21.4,  29.1,  33.3,  56.5,  63.1,  70.6,  73.0,  77.7,  93.9, 95.5,
       98.1, 101.1, 132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1},
      300);
  return history;
}

// MIL-HDBK-189 (1981), Appendix C, individual times. Second-hand; the rounded prints 0.716, 0.454, 15.5 h, C²
// 0.091 and 90 % limits 9.9 to 26.1 are values from memory, recomputed.
TEST(PowerLawPublishedTest, MilitaryHandbookTimes) {
  const PowerLawFit fit = Value(FitPowerLaw(HandbookTimes(), 0, 0.90));
  EXPECT_EQ(fit.events, 27);
  EXPECT_NEAR(fit.shape, 0.7163392624, 1e-9);
  EXPECT_NEAR(fit.scale, 0.4538418614, 1e-9);
  EXPECT_NEAR(PowerLawIntensity(fit, 300), 0.0644705336, 1e-9);
  EXPECT_NEAR(InstantaneousMtbf(fit, 300), 15.5109620, 1e-6);
  EXPECT_NEAR(*fit.shape_unbiased, 0.68980818, 5e-9);
  EXPECT_NEAR(ExpectedEvents(fit, 0, 300), 27, 1e-10);
  // Recomputed.
  EXPECT_NEAR(fit.shape_lower, 0.505632, 5e-7);
  EXPECT_NEAR(fit.shape_upper, 0.957152, 5e-7);
  // Crow's factors for 27 failures, second-hand: 0.6361467 and 1.6817864.
  const MtbfLimits limits = Value(CrowMtbfLimits(fit, 0.90));
  EXPECT_NEAR(limits.lower / limits.point, 0.6361467, 5e-8);
  EXPECT_NEAR(*limits.upper / limits.point, 1.6817864, 5e-8);
  EXPECT_NEAR(limits.lower, 9.86725, 5e-6);
  EXPECT_NEAR(*limits.upper, 26.08612, 5e-6);
  const CramerVonMises goodness = Value(PowerLawGoodnessOfFit(HandbookTimes(), 2000, 1));
  EXPECT_EQ(goodness.events, 27);
  EXPECT_NEAR(goodness.statistic, 0.0910611, 5e-8);
  EXPECT_GT(goodness.probability, 0.2);  // below the critical value 0.173 at 10 %: a power law holds
}

// Same appendix, table of critical values of C². Values from memory, recomputed by simulation: the
// probability beyond each printed value is its level, within the rounding of the last digit (up to half of
// 0.001 of C²) and 4 Monte Carlo errors.
TEST(PowerLawPublishedTest, CriticalValuesOfTheCramerVonMisesStatistic) {
  struct Row {
    int events;
    double at_20_percent;
    double at_10_percent;
    double at_5_percent;
  };
  for (const Row& row :
       {Row{5, 0.121, 0.160, 0.199}, Row{10, 0.125, 0.167, 0.212}, Row{30, 0.128, 0.172, 0.218}}) {
    const std::pair<double, double> levels[] = {
        {0.20, row.at_20_percent}, {0.10, row.at_10_percent}, {0.05, row.at_5_percent}};
    for (const auto& [level, critical] : levels) {
      // A history with just that C²: even times, drawn together towards the middle as far as needed.
      const auto spread = [&](double width) {
        std::vector<double> at;
        for (int i = 0; i < row.events; ++i) at.push_back(0.5 + width * ((i + 0.5) / row.events - 0.5));
        return EndedByTime(at, 1);
      };
      double low = 1e-6;
      double high = 1;
      for (int step = 0; step < 60; ++step) {
        const double middle = (low + high) / 2;
        const double statistic = Value(PowerLawGoodnessOfFit(spread(middle), 1, 1)).statistic;
        (statistic < critical ? high : low) = middle;
      }
      const CramerVonMises goodness = Value(PowerLawGoodnessOfFit(spread(high), 20000, 7));
      EXPECT_NEAR(goodness.statistic, critical, 1e-6);
      EXPECT_NEAR(goodness.probability, level, 4 * std::sqrt(level * (1 - level) / 20000) + 0.002)
          << row.events << " events, " << level;
    }
  }
}

// MIL-HDBK-189 and 189C, example of grouped data. Second-hand. The chi-square of the fit is computed.
TEST(PowerLawPublishedTest, MilitaryHandbookGroupedData) {
  const GroupedPowerLawFit fit =
      Value(FitGroupedPowerLaw({.start = 0, .ends = {20, 40, 60, 80, 100}, .counts = {13, 16, 5, 8, 7}}));
  EXPECT_EQ(fit.events, 49);
  EXPECT_NEAR(fit.shape, 0.752851, 1e-6);
  EXPECT_NEAR(fit.scale, 1.529306, 1e-6);
  EXPECT_NEAR(fit.shape, 0.75285089, 1e-8);
  EXPECT_NEAR(fit.scale, 1.52930570, 1e-8);
  EXPECT_NEAR(fit.intensity_at_end, 0.3688969, 1e-6);
  EXPECT_NEAR(1 / fit.intensity_at_end, 2.710784, 2e-6);
  EXPECT_NEAR(fit.intensity_last_interval, 0.3788703, 1e-6);
  EXPECT_NEAR(1 / fit.intensity_last_interval, 2.639426, 2e-6);
  EXPECT_NEAR(fit.chi_squared, 5.4504, 5e-5);
  EXPECT_EQ(fit.degrees_of_freedom, 3);
  EXPECT_GT(*fit.probability, 0.05);  // critical value at 5 % 7.8147
  const double expected[] = {14.587, 9.994, 8.775, 8.066, 7.577};
  for (std::size_t i = 0; i < 5; ++i) EXPECT_NEAR(fit.expected[i], expected[i], 5e-4);
}

// 22-failure example of "Crow-AMSAA (NHPP)", ReliaWiki, as the documentation of the open-source Python
// package "reliability" gives it (reliability growth). Seen. The exposure at which a mean of 35 is reached is
// that of the cumulative mean.
TEST(PowerLawPublishedTest, CrowExampleOf22Failures) {
  const EventHistory history =
      EndedByTime({2.7,   10.3,  12.5,  30.6,  57.0,  61.3,  80.0,  109.5, 125.0, 128.6, 143.8,
                   167.9, 229.2, 296.7, 320.6, 328.2, 366.2, 396.7, 421.1, 438.2, 501.2, 620.0},
                  620);
  const PowerLawFit fit = Value(FitPowerLaw(history, 0, 0.90));
  EXPECT_NEAR(fit.shape, 0.61421, 5e-6);
  EXPECT_NEAR(fit.scale, 0.42394, 5e-6);
  EXPECT_NEAR(CumulativeMtbf(fit, 620), 28.18182, 5e-6);
  EXPECT_NEAR(InstantaneousMtbf(fit, 620), 45.883, 5e-4);
  EXPECT_NEAR(CumulativeMtbf(fit, 1087.18769), 35, 1e-6);
}

// Modarres, Kaminskiy & Krivtsov, example 5.11, as the same package's documentation gives it (ROCOF). Seen.
TEST(PowerLawPublishedTest, ModarresExampleEndedByAFailure) {
  EventHistory history{.at = {}, .end = 0, .ended_by = Termination::kFailure};
  for (const double interval : {104, 131, 1597, 59, 4,   503, 157, 6,  118, 173, 114, 62, 101, 216, 106,
                                140, 1,   102,  3,  393, 96,  232, 89, 61,  37,  293, 7,  165, 87,  99}) {
    history.end += interval;
    history.at.push_back(history.end);
  }
  const PowerLawFit fit = Value(FitPowerLaw(history, 0, 0.95));
  EXPECT_NEAR(fit.shape, 1.588, 5e-4);
  EXPECT_NEAR(fit.scale, 3.703e-05, 5e-9);
  EXPECT_NEAR(fit.shape, 1.5880534, 5e-8);
  EXPECT_NEAR(*fit.shape_unbiased, 1.5880534 * 28 / 30, 1e-7);
  // The limits are those of the chi-square statistic of the Military Handbook test: they exclude 1 as it
  // does.
  EXPECT_GT(fit.shape_lower, 1);
  EXPECT_LT(Value(MilitaryHandbookTest(history)).p_worsening, 0.025);
}

// Against R: tests/oracles/power_law.R.
TEST(PowerLawPublishedTest, AgreesWithR) {
  int truncated = 0;
  for (const OracleRow& row : ReadOracle("power_law.csv")) {
    if (row.Text("kind") != "exact") continue;
    const double start = row.Number("start");
    const double confidence = row.Number("confidence");
    const PowerLawFit fit =
        Value(FitPowerLaw(EndedByTime(row.Numbers("at"), row.Number("end")), start, confidence));
    EXPECT_NEAR(fit.shape / row.Number("shape"), 1, 1e-8);
    EXPECT_NEAR(std::log(fit.scale / row.Number("scale")), 0, 1e-6);
    EXPECT_NEAR(fit.log_likelihood, row.Number("log_likelihood"), 1e-7 * std::abs(fit.log_likelihood) + 1e-8);
    EXPECT_NEAR(fit.shape_lower / fit.shape, row.Number("shape_lower") / fit.shape, 1e-6);
    EXPECT_NEAR(fit.shape_upper / fit.shape, row.Number("shape_upper") / fit.shape, 1e-6);
    EXPECT_NEAR(ExpectedEvents(fit, start, fit.end), fit.events, fit.events * 1e-9);
    EXPECT_EQ(fit.shape_unbiased.has_value(), start == 0);
    if (start > 0) {
      ++truncated;
      EXPECT_EQ(CrowMtbfLimits(fit, confidence).status().code(), absl::StatusCode::kInvalidArgument);
      continue;
    }
    const MtbfLimits limits = Value(CrowMtbfLimits(fit, confidence));
    EXPECT_NEAR(limits.lower / limits.point / row.Number("crow_lower"), 1, 1e-9);
    EXPECT_NEAR(*limits.upper / limits.point / row.Number("crow_upper"), 1, 1e-9);
  }
  EXPECT_GT(truncated, 150);
}
TEST(PowerLawPublishedTest, GroupedFitAgreesWithR) {
  int cases = 0;
  for (const OracleRow& row : ReadOracle("power_law.csv")) {
    if (row.Text("kind") != "grouped") continue;
    GroupedEvents events{.start = row.Number("start"), .ends = row.Numbers("at"), .counts = {}};
    for (const double count : row.Numbers("counts")) events.counts.push_back(static_cast<int>(count));
    const GroupedPowerLawFit fit = Value(FitGroupedPowerLaw(events));
    EXPECT_NEAR(fit.shape / row.Number("shape"), 1, 1e-5);  // R's score is a difference quotient
    EXPECT_NEAR(std::log(fit.scale / row.Number("scale")), 0, 1e-3);
    ++cases;
  }
  EXPECT_GT(cases, 100);
}

// The sum against I1 of the library where that has a range.
TEST(PowerLawTest, CrowTailIsThePartialSumOfTheBesselFunction) {
  for (const double z : {0.01, 0.5, 3.0, 40.0, 300.0}) {
    double sum = 0;
    double term = z / 2;
    for (int k = 1; k <= 400; ++k) {
      sum += term;
      EXPECT_NEAR(CrowTail(k, z), sum / boost::math::cyl_bessel_i(1, z), 1e-13) << k << " " << z;
      term *= z * z / 4 / k / (k + 1);
    }
    EXPECT_EQ(CrowTail(0, z), 0);
  }
  // Beyond the range of I1 it still falls from 1 to 0 around z = 2k.
  EXPECT_NEAR(CrowTail(5000, 10000), 0.5, 0.01);
  EXPECT_GT(CrowTail(5000, 9600), 0.99);
  EXPECT_LT(CrowTail(5000, 10400), 0.01);
}

}  // namespace
}  // namespace bayward
