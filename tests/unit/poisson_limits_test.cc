#include "server/statistics/poisson_limits.h"

#include <limits>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kInfinity = std::numeric_limits<double>::infinity();

TEST(PoissonLimitsTest, RefusesWhatHasNoMeaning) {
  for (const double count : {-1.0, -1e-300, kNan, kInfinity}) {
    EXPECT_EQ(ComputeCountLimits(count, 0.95).status().code(), absl::StatusCode::kInvalidArgument) << count;
  }
  for (const double confidence : {0.0, 1.0, 95.0, -0.1, kNan}) {
    EXPECT_EQ(ComputeCountLimits(3, confidence).status().code(), absl::StatusCode::kInvalidArgument);
    EXPECT_EQ(ComputePoissonRate(3, 1, confidence).status().code(), absl::StatusCode::kInvalidArgument);
  }
  for (const double exposure : {0.0, -1.0, kNan, kInfinity}) {
    EXPECT_EQ(ComputePoissonRate(3, exposure, 0.95).status().code(), absl::StatusCode::kInvalidArgument);
  }
  EXPECT_TRUE(ComputeCountLimits(0, 0.95).ok());
  EXPECT_TRUE(ComputeCountLimits(0.01, 0.999999).ok());
  EXPECT_TRUE(ComputePoissonRate(1e9, 1e-6, 0.95).ok());
}

TEST(PoissonLimitsTest, LimitsEncloseTheCountAndWidenWithConfidence) {
  for (const double count : {0.3, 1.0, 2.5, 40.0, 1e6}) {
    const PoissonLimits narrow = *ComputeCountLimits(count, 0.5);
    const PoissonLimits wide = *ComputeCountLimits(count, 0.99);
    EXPECT_LT(wide.lower, narrow.lower) << count;
    EXPECT_LT(narrow.lower, count) << count;
    EXPECT_LT(count, narrow.upper) << count;
    EXPECT_LT(narrow.upper, wide.upper) << count;
  }
}

TEST(PoissonLimitsTest, NoEventsHaveALowerLimitOfExactlyZero) {
  EXPECT_EQ(ComputeCountLimits(0, 0.95)->lower, 0);
  EXPECT_EQ(ComputePoissonRate(0, 100, 0.95)->point, 0);
  EXPECT_EQ(ComputePoissonRate(0, 100, 0.95)->lower, 0);
  EXPECT_GT(ComputePoissonRate(0, 100, 0.95)->upper, 0.03);
}

}  // namespace
}  // namespace bayward
