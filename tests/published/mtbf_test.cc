#include "server/statistics/mtbf.h"

#include <cmath>
#include <limits>

#include "gtest/gtest.h"

namespace bayward {
namespace {

double Hours(absl::Duration d) { return absl::ToDoubleHours(d); }

Mtbf Compute(double hours, int failures, double confidence, Termination ended_by = Termination::kTime) {
  const absl::StatusOr<Mtbf> mtbf = ComputeMtbf(absl::Hours(1) * hours, failures, confidence, ended_by);
  EXPECT_TRUE(mtbf.ok()) << mtbf.status();
  return mtbf.value_or(Mtbf());
}

// C1.1. NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1, worked example (apr451.htm and apr451.r).
// Seen.
TEST(MtbfPublishedTest, NistWorkedExample) {
  const Mtbf mtbf = Compute(800, 2, 0.90);
  EXPECT_DOUBLE_EQ(Hours(*mtbf.point), 400);
  EXPECT_NEAR(Hours(mtbf.lower), 127.0690, 5e-4);
  EXPECT_NEAR(Hours(*mtbf.upper), 2251.229, 5e-4);
  // Recomputed independently (R 4.2.2, scipy 1.10.1).
  EXPECT_NEAR(Hours(mtbf.lower), 127.06896827, 1e-7);
  EXPECT_NEAR(Hours(*mtbf.upper), 2251.22861063, 1e-7);
}

struct Factors {
  int failures;
  double lower;
  double upper;
};

void ExpectFactors(const Factors& row, double confidence) {
  const Mtbf mtbf = Compute(row.failures, row.failures, confidence);  // point estimate 1
  EXPECT_NEAR(Hours(mtbf.lower), row.lower, 1e-4) << row.failures;
  EXPECT_NEAR(Hours(*mtbf.upper), row.upper, 1e-4) << row.failures;
}

// C1.2a. Same page, tables of confidence interval factors. Values from memory, recomputed.
TEST(MtbfPublishedTest, NistFactorsAt60Percent) {
  for (const Factors& row :
       {Factors{1, 0.3340, 4.4814}, Factors{2, 0.4674, 2.4260}, Factors{3, 0.5440, 1.9543},
        Factors{4, 0.5952, 1.7416}, Factors{5, 0.6324, 1.6184}, Factors{6, 0.6611, 1.5370},
        Factors{7, 0.6841, 1.4788}, Factors{8, 0.7030, 1.4347}, Factors{9, 0.7189, 1.4000},
        Factors{10, 0.7326, 1.3719}}) {
    ExpectFactors(row, 0.60);
  }
}
TEST(MtbfPublishedTest, NistFactorsAt80Percent) {
  for (const Factors& row :
       {Factors{1, 0.2571, 9.4912}, Factors{2, 0.3758, 3.7607}, Factors{3, 0.4490, 2.7222},
        Factors{4, 0.5004, 2.2926}, Factors{5, 0.5391, 2.0554}, Factors{6, 0.5697, 1.9036},
        Factors{7, 0.5947, 1.7973}, Factors{8, 0.6156, 1.7182}, Factors{9, 0.6335, 1.6567},
        Factors{10, 0.6491, 1.6074}}) {
    ExpectFactors(row, 0.80);
  }
}

// C1.4. RIAC START sheet, time-terminated example, seen: it takes 2n + 2 degrees of freedom on both sides,
// (22.81, 183.49). The two references differ by design; this is the NIST rule, recomputed: upper limit
// 323.273.
TEST(MtbfPublishedTest, UpperLimitFollowsNistNotTheConservativeRule) {
  const Mtbf mtbf = Compute(200, 3, 0.95);
  EXPECT_NEAR(Hours(mtbf.lower), 22.81, 0.005);
  EXPECT_NEAR(Hours(mtbf.lower), 22.8121, 1e-4);
  EXPECT_NEAR(Hours(*mtbf.upper), 323.273, 1e-3);
}

// C1.5. Documentation of the open-source Python package "reliability", page "Reliability test planner". Seen.
TEST(MtbfPublishedTest, LowerBoundOfATestPlan) {
  const Mtbf mtbf = Compute(19520, 7, 0.80);
  EXPECT_NEAR(Hours(mtbf.lower) / 1658.3248534993454, 1, 1e-9);
}

// C1.7. MIL-HDBK-338B (1998), 8.3.2.5.2, failure-terminated: 1600 h, 10 failures. Values from memory,
// recomputed.
TEST(MtbfPublishedTest, FailureTerminated) {
  const Mtbf one_sided_95 = Compute(1600, 10, 0.90, Termination::kFailure);
  EXPECT_DOUBLE_EQ(Hours(*one_sided_95.point), 160);
  EXPECT_NEAR(Hours(one_sided_95.lower), 101.88, 5e-3);
  EXPECT_NEAR(Hours(one_sided_95.lower), 101.87698, 1e-5);
  const Mtbf two_sided_95 = Compute(1600, 10, 0.95, Termination::kFailure);
  EXPECT_NEAR(Hours(two_sided_95.lower), 93.65, 5e-3);
  EXPECT_NEAR(Hours(*two_sided_95.upper), 333.65, 5e-3);
  EXPECT_NEAR(Hours(two_sided_95.lower), 93.65048, 1e-5);
  EXPECT_NEAR(Hours(*two_sided_95.upper), 333.65387, 1e-5);
  // Ended by the clock, the same figures have a lower limit that allows for one more failure.
  EXPECT_LT(Compute(1600, 10, 0.95).lower, two_sided_95.lower);
}

// C1.8. Same section, time-terminated without replacement: 210 h of 7 failed items and 13 · 100 h. Inputs
// from memory; outputs recomputed by the rule above (the upper limit remembered, 379.4, follows the
// conservative rule of C1.4).
TEST(MtbfPublishedTest, TimeTerminatedWithoutReplacement) {
  const double total = 10 + 16 + 17 + 25 + 31 + 46 + 65 + 13 * 100;
  EXPECT_NEAR(Hours(Compute(total, 7, 0.80).lower), 128.282, 5e-4);
  EXPECT_NEAR(Hours(Compute(total, 7, 0.90).lower), 114.845, 5e-4);
  EXPECT_NEAR(Hours(*Compute(total, 7, 0.90).upper), 459.621, 5e-4);
}

// C1.9. NIST 8.4.5.1, no failures: one-sided lower limit T/(−ln α). Formula from memory, factors recomputed.
TEST(MtbfPublishedTest, WithoutFailuresThereIsOnlyALowerLimit) {
  const double factors[][2] = {
      {0.50, 1.4427}, {0.60, 1.0914}, {0.80, 0.6213}, {0.90, 0.4343}, {0.95, 0.3338}};
  for (const auto& [confidence, factor] : factors) {
    const Mtbf mtbf = Compute(1000, 0, confidence);
    EXPECT_NEAR(Hours(mtbf.lower) / 1000, factor, 5e-5) << confidence;
    EXPECT_EQ(mtbf.point, std::nullopt);
    EXPECT_EQ(mtbf.upper, std::nullopt);
  }
}

TEST(MtbfTest, RefusesWhatHasNoMeaning) {
  const absl::Duration hour = absl::Hours(1);
  const auto code = [](const absl::StatusOr<Mtbf>& mtbf) { return mtbf.status().code(); };
  constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
  EXPECT_EQ(code(ComputeMtbf(absl::ZeroDuration(), 1, 0.9)), kInvalid);
  EXPECT_EQ(code(ComputeMtbf(-hour, 1, 0.9)), kInvalid);
  EXPECT_EQ(code(ComputeMtbf(absl::InfiniteDuration(), 1, 0.9)), kInvalid);
  EXPECT_EQ(code(ComputeMtbf(hour, -1, 0.9)), kInvalid);
  EXPECT_EQ(code(ComputeMtbf(hour, 0, 0.9, Termination::kFailure)), kInvalid);
  EXPECT_EQ(code(ComputeMtbf(hour, 1, 0)), kInvalid);
  EXPECT_EQ(code(ComputeMtbf(hour, 1, 1)), kInvalid);
  EXPECT_EQ(code(ComputeMtbf(hour, 1, std::numeric_limits<double>::quiet_NaN())), kInvalid);
  EXPECT_TRUE(ComputeMtbf(absl::Nanoseconds(1), 1, 0.9).ok());
  EXPECT_TRUE(ComputeMtbf(hour, 0, 0.9).ok());
  EXPECT_TRUE(ComputeMtbf(hour, 1, 0.9, Termination::kFailure).ok());
  EXPECT_TRUE(ComputeMtbf(hour, 100000, 0.999999).ok());
}

TEST(MtbfTest, LimitsEncloseThePointAndWidenWithConfidence) {
  for (const int failures : {1, 2, 5, 20, 300, 20000}) {
    const Mtbf narrow = Compute(5000, failures, 0.5);
    const Mtbf wide = Compute(5000, failures, 0.99);
    EXPECT_LT(wide.lower, narrow.lower) << failures;
    EXPECT_LT(narrow.lower, *narrow.point) << failures;
    EXPECT_LT(*narrow.point, *narrow.upper) << failures;
    EXPECT_LT(*narrow.upper, *wide.upper) << failures;
  }
}

}  // namespace
}  // namespace bayward
