#include "server/statistics/poisson_limits.h"

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

// C2.1. Garwood, F. (1936), Biometrika 28:437–442: exact 95 % limits. Seen: 0 (upper 3.689, documentation of
// the R package epitools) and 10 (4.80–18.39); the others computed.
TEST(PoissonLimitsPublishedTest, GarwoodTableAt95Percent) {
  const double table[][2] = {{0, 3.6889},       {0.0253, 5.5716},  {0.2422, 7.2247},   {0.6187, 8.7673},
                             {1.0899, 10.2416}, {1.6235, 11.6683}, {2.2019, 13.0595},  {2.8144, 14.4227},
                             {3.4538, 15.7632}, {4.1154, 17.0848}, {4.7954, 18.3904},  {5.4912, 19.6820},
                             {6.2006, 20.9616}, {6.9220, 22.2304}, {7.6539, 23.4896},  {8.3954, 24.7402},
                             {9.1454, 25.9830}, {9.9031, 27.2186}, {10.6679, 28.4478}, {11.4392, 29.6709},
                             {12.2165, 30.8884}};
  double count = 0;
  for (const auto& [lower, upper] : table) {
    const absl::StatusOr<PoissonLimits> limits = ComputeCountLimits(count, 0.95);
    ASSERT_TRUE(limits.ok()) << limits.status();
    EXPECT_NEAR(limits->lower, lower, 1e-4) << count;
    EXPECT_NEAR(limits->upper, upper, 1e-4) << count;
    count += 1;
  }
}

// Some sources give 2.996 for no events: that is the one-sided limit at 95 %. Computed: −ln 0.05.
TEST(PoissonLimitsPublishedTest, OneSidedLimitOfNoEventsIsThatOfTwoSided90Percent) {
  EXPECT_NEAR(ComputeCountLimits(0, 0.90)->upper, 2.995732, 1e-6);
}

// poisson.test of R: tests/oracles/poisson_limits.R.
TEST(PoissonLimitsOracleTest, AgreesWithPoissonTest) {
  for (const testing::OracleRow& row : testing::ReadOracle("poisson_limits.csv")) {
    const absl::StatusOr<PoissonRate> rate =
        ComputePoissonRate(row.Number("count"), row.Number("exposure"), row.Number("confidence"));
    ASSERT_TRUE(rate.ok()) << rate.status();
    EXPECT_NEAR(rate->point, row.Number("point"), 1e-12 * row.Number("point"));
    EXPECT_NEAR(rate->lower, row.Number("lower"), 1e-9 * row.Number("lower"));
    EXPECT_NEAR(rate->upper, row.Number("upper"), 1e-9 * row.Number("upper"));
  }
}

}  // namespace
}  // namespace bayward
