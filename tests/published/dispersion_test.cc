#include "server/statistics/dispersion.h"

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

// C6.2. Air-conditioning of aircraft (Proschan 1963; data sets aircondit and aircondit7 of the R package boot
// 1.3-28.1): 12 failures in 1297 h, 24 in 1539 h, ended by the last failure. Limits at 95 % computed (R
// 4.2.2). The means are those of Davison & Hinkley, value from memory, recomputed.
TEST(CyclesBetweenFailuresPublishedTest, AirConditioning) {
  const auto ninth = ComputeCyclesBetweenFailures(1297, 12, 0.95, {}, Termination::kFailure);
  EXPECT_NEAR(*ninth->point, 108.0833, 5e-5);
  EXPECT_NEAR(ninth->lower, 65.898, 5e-4);
  EXPECT_NEAR(*ninth->upper, 209.174, 5e-4);
  const auto seventh = ComputeCyclesBetweenFailures(1539, 24, 0.95, {}, Termination::kFailure);
  EXPECT_NEAR(*seventh->point, 64.125, 1e-12);
  EXPECT_NEAR(seventh->lower, 44.594, 5e-4);
  EXPECT_NEAR(*seventh->upper, 100.083, 5e-4);
}

// C1.1 in cycles. NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1, worked example, seen: 800 and 2
// failures at 90 %.
TEST(CyclesBetweenFailuresPublishedTest, NistWorkedExample) {
  const auto between = ComputeCyclesBetweenFailures(800, 2, 0.90);
  EXPECT_NEAR(between->lower, 127.0690, 5e-4);
  EXPECT_NEAR(*between->upper, 2251.229, 5e-4);
}

// Quasi-Poisson fits and chi-square quantiles of R: tests/oracles/dispersion.R.
TEST(DispersionOracleTest, AgreesWithQuasiPoissonFits) {
  int clustered = 0;
  int joined = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("dispersion.csv")) {
    const std::vector<double> counts = row.Numbers("counts");
    const std::vector<double> exposures = row.Numbers("exposures");
    std::vector<ExposedCount> weeks;
    int failures = 0;
    double up_h = 0;
    for (std::size_t i = 0; i < counts.size(); ++i) {
      weeks.push_back({.count = static_cast<int>(counts[i]), .exposure = exposures[i]});
      failures += weeks.back().count;
      up_h += exposures[i];
    }
    const absl::StatusOr<Dispersion> dispersion = ComputeDispersion(weeks);
    ASSERT_TRUE(dispersion.ok()) << dispersion.status();
    EXPECT_EQ(dispersion->weeks, row.Number("weeks"));
    ASSERT_TRUE(dispersion->phi.has_value());
    EXPECT_NEAR(*dispersion->phi / row.Number("phi"), 1, 1e-6);  // R stops iterating at about 1e-7
    clustered += dispersion->verdict == DispersionVerdict::kClustered ? 1 : 0;
    joined += dispersion->weeks < static_cast<int>(weeks.size()) ? 1 : 0;
    const absl::StatusOr<Mtbf> mtbf =
        ComputeDispersedMtbf(absl::Hours(up_h), failures, row.Number("confidence"), *dispersion);
    ASSERT_TRUE(mtbf.ok()) << mtbf.status();
    EXPECT_NEAR(absl::ToDoubleHours(*mtbf->point) / row.Number("mtbf"), 1, 1e-9);
    EXPECT_NEAR(absl::ToDoubleHours(mtbf->lower) / row.Number("lower"), 1, 1e-6);
    EXPECT_NEAR(absl::ToDoubleHours(*mtbf->upper) / row.Number("upper"), 1, 1e-6);
  }
  EXPECT_GT(clustered, 50);
  EXPECT_GT(joined, 50);
}

}  // namespace
}  // namespace bayward
