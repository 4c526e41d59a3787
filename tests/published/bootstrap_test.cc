#include "server/statistics/bootstrap.h"

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

// boot.ci of R's boot, BCa with 20,000 resamples: tests/oracles/bootstrap.R. Both sides are drawn: two
// standard errors of the difference of two such limits are about 2 % of the interval's width, more where
// skewness moves them into the tail.
TEST(BootstrapOracleTest, AgreesWithBcaOfBoot) {
  double off_sum = 0;
  int limits = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("bootstrap.csv")) {
    const std::vector<double> up_s = row.Numbers("up_s");
    const std::vector<double> down_s = row.Numbers("down_s");
    std::vector<UpDown> weeks;
    for (std::size_t i = 0; i < up_s.size(); ++i) {
      weeks.push_back({.up = absl::Seconds(up_s[i]), .down = absl::Seconds(down_s[i])});
    }
    const auto interval = BootstrapMachineAvailability(
        weeks, 10, {.confidence = row.Number("confidence"), .resamples = 20'000, .seed = 77});
    ASSERT_TRUE(interval.ok()) << interval.status();
    ASSERT_TRUE(interval->has_value());
    EXPECT_NEAR((*interval)->point, row.Number("point"), 1e-12);
    const double width = row.Number("upper") - row.Number("lower");
    for (const double off :
         {(*interval)->lower - row.Number("lower"), (*interval)->upper - row.Number("upper")}) {
      EXPECT_NEAR(off / width, 0, 0.08);
      off_sum += off / width;
      ++limits;
    }
  }
  // No side is favoured.
  EXPECT_NEAR(off_sum / limits, 0, 0.005);
}

}  // namespace
}  // namespace bayward
