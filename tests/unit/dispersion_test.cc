#include "server/statistics/dispersion.h"

#include <limits>
#include <vector>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

std::vector<ExposedCount> Weeks(const std::vector<int>& counts, double exposure = 100) {
  std::vector<ExposedCount> weeks;
  for (const int count : counts) weeks.push_back({.count = count, .exposure = exposure});
  return weeks;
}

TEST(DispersionTest, FailuresSpreadEvenlyAreOneByOne) {
  const Dispersion dispersion = *ComputeDispersion(Weeks(std::vector<int>(13, 2)));
  EXPECT_EQ(dispersion.verdict, DispersionVerdict::kOneByOne);
  EXPECT_DOUBLE_EQ(*dispersion.phi, 0);
  EXPECT_EQ(dispersion.divisor(), 1);
}

TEST(DispersionTest, FailuresOfOneWeekAreClustered) {
  std::vector<int> counts(13, 0);
  counts[4] = 13;  // expected 1 a week: (12·1 + 12²)/12
  const Dispersion dispersion = *ComputeDispersion(Weeks(counts));
  EXPECT_EQ(dispersion.verdict, DispersionVerdict::kClustered);
  EXPECT_NEAR(*dispersion.phi, 13, 1e-12);
  EXPECT_EQ(dispersion.divisor(), *dispersion.phi);
}

TEST(DispersionTest, TwelveWeeksAreTooFewThirteenEnough) {
  std::vector<int> counts(12, 0);
  counts[4] = 12;
  const Dispersion too_few = *ComputeDispersion(Weeks(counts));
  EXPECT_EQ(too_few.verdict, DispersionVerdict::kTooFewWeeks);
  EXPECT_EQ(too_few.phi, std::nullopt);
  EXPECT_EQ(too_few.divisor(), 1);
  counts.push_back(0);
  EXPECT_EQ(ComputeDispersion(Weeks(counts))->verdict, DispersionVerdict::kClustered);
}

TEST(DispersionTest, NoFailuresHaveNoDispersion) {
  const Dispersion dispersion = *ComputeDispersion(Weeks(std::vector<int>(20, 0)));
  EXPECT_EQ(dispersion.verdict, DispersionVerdict::kNoFailures);
  EXPECT_EQ(dispersion.phi, std::nullopt);
}

// One failure in a week that was up for minutes would by itself give a dispersion of some thousands.
TEST(DispersionTest, WeeksOfLittleExposureAreJoinedToTheirNeighbours) {
  std::vector<ExposedCount> weeks = Weeks(std::vector<int>(14, 2));
  weeks[3] = {.count = 1, .exposure = 0.05};
  weeks.push_back({.count = 1, .exposure = 0});
  const Dispersion dispersion = *ComputeDispersion(weeks);
  EXPECT_EQ(dispersion.weeks, 13);
  EXPECT_EQ(dispersion.verdict, DispersionVerdict::kOneByOne);
}

TEST(DispersionTest, RefusesWhatHasNoMeaning) {
  EXPECT_EQ(ComputeDispersion({}).status().code(), kInvalid);
  EXPECT_EQ(ComputeDispersion(Weeks({1, 2}, 0)).status().code(), kInvalid);
  EXPECT_EQ(ComputeDispersion(Weeks({1, -2})).status().code(), kInvalid);
  EXPECT_EQ(ComputeDispersion(Weeks({1, 2}, -1)).status().code(), kInvalid);
  EXPECT_EQ(ComputeDispersion(Weeks({1, 2}, kNan)).status().code(), kInvalid);
  EXPECT_TRUE(ComputeDispersion(Weeks({1, 2})).ok());
}

TEST(DispersedMtbfTest, WithoutClustersItIsThePlainOne) {
  for (const int failures : {0, 1, 7}) {
    const Mtbf plain = *ComputeMtbf(absl::Hours(800), failures, 0.9);
    const Mtbf dispersed = *ComputeDispersedMtbf(absl::Hours(800), failures, 0.9, Dispersion());
    EXPECT_EQ(dispersed.point, plain.point);
    EXPECT_EQ(dispersed.lower, plain.lower);
    EXPECT_EQ(dispersed.upper, plain.upper);
  }
}

TEST(DispersedMtbfTest, ClustersWidenTheLimitsAndLeaveThePoint) {
  for (const Termination ended_by : {Termination::kTime, Termination::kFailure}) {
    for (const int failures : {1, 2, 9, 100}) {
      Mtbf narrower = *ComputeMtbf(absl::Hours(800), failures, 0.9, ended_by);
      for (const double phi : {1.3, 2.0, 4.0, 12.0}) {
        const Dispersion clustered{.phi = phi, .weeks = 13, .verdict = DispersionVerdict::kClustered};
        const Mtbf wider = *ComputeDispersedMtbf(absl::Hours(800), failures, 0.9, clustered, ended_by);
        EXPECT_EQ(wider.point, narrower.point);
        EXPECT_LT(wider.lower, narrower.lower) << failures << " " << phi;
        EXPECT_GT(*wider.upper, *narrower.upper) << failures << " " << phi;
        narrower = wider;
      }
    }
  }
}

TEST(DispersedMtbfTest, FailuresAndUpTimeAreBothDividedByTheDispersion) {
  const Dispersion clustered{.phi = 2.0, .weeks = 13, .verdict = DispersionVerdict::kClustered};
  const Mtbf halved = *ComputeMtbf(absl::Hours(400), 6, 0.95);
  const Mtbf dispersed = *ComputeDispersedMtbf(absl::Hours(800), 12, 0.95, clustered);
  EXPECT_NEAR(absl::FDivDuration(dispersed.lower, halved.lower), 1, 1e-9);
  EXPECT_NEAR(absl::FDivDuration(*dispersed.upper, *halved.upper), 1, 1e-9);
}

TEST(DispersedMtbfTest, RefusesAsThePlainOne) {
  EXPECT_EQ(ComputeDispersedMtbf(absl::ZeroDuration(), 1, 0.9, Dispersion()).status().code(), kInvalid);
  EXPECT_EQ(ComputeDispersedMtbf(absl::Hours(1), -1, 0.9, Dispersion()).status().code(), kInvalid);
  EXPECT_EQ(ComputeDispersedMtbf(absl::Hours(1), 1, 1, Dispersion()).status().code(), kInvalid);
}

TEST(CyclesBetweenFailuresTest, AreTheMtbfOfACountOfCycles) {
  const Dispersion clustered{.phi = 1.7, .weeks = 26, .verdict = DispersionVerdict::kClustered};
  for (const Dispersion& dispersion : {Dispersion(), clustered}) {
    for (const int failures : {0, 1, 40}) {
      const Mtbf mtbf = *ComputeDispersedMtbf(absl::Seconds(12'345), failures, 0.9, dispersion);
      const CyclesBetweenFailures cycles = *ComputeCyclesBetweenFailures(12'345, failures, 0.9, dispersion);
      EXPECT_NEAR(absl::ToDoubleSeconds(mtbf.lower) / cycles.lower, 1, 1e-9);
      ASSERT_EQ(cycles.point.has_value(), failures > 0);
      ASSERT_EQ(cycles.upper.has_value(), failures > 0);
      if (failures == 0) continue;
      EXPECT_DOUBLE_EQ(*cycles.point, 12'345.0 / failures);
      EXPECT_NEAR(absl::ToDoubleSeconds(*mtbf.upper) / *cycles.upper, 1, 1e-9);
    }
  }
}

TEST(CyclesBetweenFailuresTest, RefusesWhatHasNoMeaning) {
  EXPECT_EQ(ComputeCyclesBetweenFailures(0, 1, 0.9).status().code(), kInvalid);
  EXPECT_EQ(ComputeCyclesBetweenFailures(10, -1, 0.9).status().code(), kInvalid);
  EXPECT_EQ(ComputeCyclesBetweenFailures(10, 0, 0.9, {}, Termination::kFailure).status().code(), kInvalid);
  EXPECT_EQ(ComputeCyclesBetweenFailures(10, 1, 0).status().code(), kInvalid);
  EXPECT_EQ(ComputeCyclesBetweenFailures(10, 0, kNan).status().code(), kInvalid);
  EXPECT_TRUE(ComputeCyclesBetweenFailures(1, 1, 0.9, {}, Termination::kFailure).ok());
}

TEST(DispersionTest, EachVerdictHasItsWords) {
  EXPECT_STREQ(DispersionWords(DispersionVerdict::kNoFailures), "no failures");
  EXPECT_STREQ(DispersionWords(DispersionVerdict::kOneByOne), "failures come one by one");
  EXPECT_STREQ(DispersionWords(DispersionVerdict::kClustered), "failures come in clusters: limits widened");
}

}  // namespace
}  // namespace bayward
