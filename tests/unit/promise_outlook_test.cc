#include "server/figures/promise_outlook.h"

#include <cmath>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// tests/oracles/replacement.R: pnbinom. Four standard errors of the draws.
TEST(PromiseOracleTest, ChanceOfMissingAgreesWithNegativeBinomialCounts) {
  int cases = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("replacement.csv")) {
    if (row.Text("what") != "promise") continue;
    ++cases;
    PromiseInput input;
    const double left = row.Number("left");
    input.target = 1 - row.Number("budget") / left;
    input.machines = {{.rate = {.shape = row.Number("shape"), .inverse_scale = row.Number("inverse_scale")},
                       .required_left_hours = left,
                       .down_for_hours = {}}};
    input.restoration_hours = {row.Number("down")};
    const absl::StatusOr<PromiseOutlook> outlook = ComputePromiseOutlook(input);
    ASSERT_TRUE(outlook.ok()) << outlook.status();
    const double p = row.Number("value");
    EXPECT_NEAR(outlook->probability_missed_low, p, 4 * std::sqrt(p * (1 - p) / input.draws) + 1e-6);
    EXPECT_NEAR(outlook->affordable_hours_high, row.Number("budget"), 1e-9);
  }
  EXPECT_EQ(cases, 60);
}

PromiseInput Input() {
  PromiseInput input;
  input.target = 0.98;
  input.required_so_far_hours = 3000;
  input.down_hours = 40;
  input.unknown_hours = 20;
  input.machines = {
      {.rate = {.shape = 10, .inverse_scale = 1500}, .required_left_hours = 500, .down_for_hours = {}},
      {.rate = {.shape = 4, .inverse_scale = 1500}, .required_left_hours = 500, .down_for_hours = {}}};
  input.restoration_hours = {1, 2, 3, 5, 20};
  input.credits = {{.below = 0.98, .credit = 100}, {.below = 0.97, .credit = 300}};
  return input;
}

TEST(PromiseTest, AffordableHoursAndBounds) {
  const PromiseOutlook outlook = *ComputePromiseOutlook(Input());
  EXPECT_NEAR(outlook.affordable_hours_high, 0.02 * 4000 - 40, 1e-9);
  EXPECT_NEAR(outlook.affordable_hours_low, 0.02 * 4000 - 60, 1e-9);
  EXPECT_LT(outlook.probability_missed_low, outlook.probability_missed_high);
  EXPECT_LT(outlook.expected_credit_low, outlook.expected_credit_high);
  EXPECT_GT(outlook.standard_error, 0);
  // Mean up time between outages of 150 and 375 h, mean restoration 6.2 h; the last ones are cut at the end.
  EXPECT_NEAR(outlook.expected_down_hours, 6.2 * (500 / 156.2 + 500 / 381.2), 1.5);
}

TEST(PromiseTest, WhatIsDecidedIsCertain) {
  PromiseInput input = Input();
  input.down_hours = 200;
  EXPECT_EQ(ComputePromiseOutlook(input)->probability_missed_low, 1);
  EXPECT_LT(ComputePromiseOutlook(input)->affordable_hours_high, 0);
  input.machines.clear();  // the period is over
  input.restoration_hours.clear();
  input.down_hours = 60;
  input.unknown_hours = 0;
  const PromiseOutlook kept = *ComputePromiseOutlook(input);
  EXPECT_EQ(kept.probability_missed_high, 0);  // exactly at the target is kept
  EXPECT_EQ(kept.expected_credit_high, 0);
  EXPECT_DOUBLE_EQ(kept.availability_median, 0.98);
  input.down_hours = 60.001;
  EXPECT_EQ(ComputePromiseOutlook(input)->probability_missed_low, 1);
  EXPECT_NEAR(ComputePromiseOutlook(input)->expected_credit_low, 100, 1e-9);
}

TEST(PromiseTest, AMachineThatIsDownNowStaysSoForAWhile) {
  PromiseInput input = Input();
  input.machines[0].down_for_hours = {100};
  EXPECT_GT(ComputePromiseOutlook(input)->probability_missed_low, 0.99);
  input.machines[0].down_for_hours = {1e6};  // cut at the end of the period
  EXPECT_LE(ComputePromiseOutlook(input)->down_hours_90, 1000);
}

TEST(PromiseTest, SameSeedSameFigures) {
  PromiseInput input = Input();
  const double first = ComputePromiseOutlook(input)->expected_down_hours;
  EXPECT_EQ(first, ComputePromiseOutlook(input)->expected_down_hours);
  input.seed = 2;
  EXPECT_NE(first, ComputePromiseOutlook(input)->expected_down_hours);
}

TEST(PromiseTest, TheLowestStepReachedCountsAlone) {
  const CreditStep steps[] = {
      {.below = 0.95, .credit = 900}, {.below = 0.98, .credit = 100}, {.below = 0.97, .credit = 300}};
  EXPECT_EQ(CreditFor(steps, 0.99), 0);
  EXPECT_EQ(CreditFor(steps, 0.98), 0);
  EXPECT_EQ(CreditFor(steps, 0.975), 100);
  EXPECT_EQ(CreditFor(steps, 0.96), 300);
  EXPECT_EQ(CreditFor(steps, 0.5), 900);
}

TEST(PromiseTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const PromiseInput& input) { return ComputePromiseOutlook(input).status().code(); };
  EXPECT_EQ(code(Input()), absl::StatusCode::kOk);
  PromiseInput input = Input();
  input.target = 1;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.down_hours = 2990;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.restoration_hours.clear();
  EXPECT_EQ(code(input), kInvalid);
  input.restoration_hours = {-1};
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.machines[1].rate.inverse_scale = 0;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.machines[1].rate.inverse_scale = 1e-6;  // more outages than can be drawn
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.credits = {{.below = 0.98, .credit = 300}, {.below = 0.97, .credit = 100}};
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.draws = 1;
  EXPECT_EQ(code(input), kInvalid);
  input = PromiseInput();
  input.target = 0.9;
  EXPECT_EQ(code(input), kInvalid);  // no required time at all
}

}  // namespace
}  // namespace bayward
