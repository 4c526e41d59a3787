#include "server/figures/error_budget.h"

#include <limits>

#include "gtest/gtest.h"

namespace bayward {
namespace {

// A month of 30 days of 15 hours at 98 %: 9 h of budget; 10 days are over.
BudgetInput Month() {
  return {.target = 0.98,
          .required_planned = absl::Hours(450),
          .required_so_far = absl::Hours(150),
          .down = absl::Hours(2),
          .unknown = absl::Hours(1),
          .days = 10};
}

TEST(ErrorBudgetTest, IsOfTheWholePeriodAndUnknownTimeIsARange) {
  const ErrorBudget budget = *ComputeErrorBudget(Month());
  EXPECT_NEAR(absl::ToDoubleHours(budget.budget), 9, 1e-9);
  EXPECT_NEAR(absl::ToDoubleHours(budget.left_low), 6, 1e-9);
  EXPECT_NEAR(absl::ToDoubleHours(budget.left_high), 7, 1e-9);
  EXPECT_NEAR(absl::ToDoubleMinutes(*budget.burn_per_day_low), 12, 1e-9);
  EXPECT_NEAR(absl::ToDoubleMinutes(*budget.burn_per_day_high), 18, 1e-9);
  EXPECT_NEAR(*budget.burn_rate_low, 2.0 / 3, 1e-9);  // 2 h of the 3 h that a third of the period allows
  EXPECT_NEAR(*budget.burn_rate_high, 1, 1e-9);
  EXPECT_NEAR(*budget.days_left_low, 20, 1e-9);  // at a burn rate of 1, the period's end
  EXPECT_NEAR(*budget.days_left_high, 35, 1e-9);
}

TEST(ErrorBudgetTest, OverspentIsNegativeAndHasNoDaysLeft) {
  BudgetInput input = Month();
  input.down = absl::Hours(8);
  input.unknown = absl::Hours(2);
  const ErrorBudget budget = *ComputeErrorBudget(input);
  EXPECT_NEAR(absl::ToDoubleHours(budget.left_low), -1, 1e-9);
  EXPECT_NEAR(absl::ToDoubleHours(budget.left_high), 1, 1e-9);
  EXPECT_EQ(budget.days_left_low, 0);
  EXPECT_GT(*budget.days_left_high, 0);
}

TEST(ErrorBudgetTest, WithoutDownTimeItNeverRunsOut) {
  BudgetInput input = Month();
  input.down = input.unknown = absl::ZeroDuration();
  const ErrorBudget budget = *ComputeErrorBudget(input);
  EXPECT_EQ(budget.left_low, budget.budget);
  EXPECT_EQ(budget.burn_per_day_low, absl::ZeroDuration());
  EXPECT_EQ(budget.days_left_low, std::nullopt);
  EXPECT_EQ(budget.days_left_high, std::nullopt);
}

TEST(ErrorBudgetTest, BeforeThePeriodAllIsLeftAndNothingIsSaidOfTheBurn) {
  const ErrorBudget budget = *ComputeErrorBudget({.target = 0.98, .required_planned = absl::Hours(450)});
  EXPECT_EQ(budget.left_low, budget.budget);
  EXPECT_EQ(budget.burn_rate_low, std::nullopt);
  EXPECT_EQ(budget.burn_per_day_low, std::nullopt);
  EXPECT_EQ(budget.days_left_low, std::nullopt);
}

TEST(ErrorBudgetTest, RefusesWhatHasNoMeaning) {
  const auto refused = [](const auto& change) {
    BudgetInput input = Month();
    change(input);
    return ComputeErrorBudget(input).status().code() == absl::StatusCode::kInvalidArgument;
  };
  EXPECT_FALSE(refused([](BudgetInput&) {}));
  for (const double target : {0.0, 1.0, 98.0, -0.5, std::numeric_limits<double>::quiet_NaN()}) {
    EXPECT_TRUE(refused([&](BudgetInput& input) { input.target = target; })) << target;
  }
  EXPECT_TRUE(refused([](BudgetInput& input) { input.required_planned = absl::ZeroDuration(); }));
  EXPECT_TRUE(refused([](BudgetInput& input) { input.required_planned = absl::InfiniteDuration(); }));
  EXPECT_TRUE(refused([](BudgetInput& input) { input.required_so_far = absl::Hours(451); }));
  EXPECT_TRUE(refused([](BudgetInput& input) { input.required_so_far = -absl::Hours(1); }));
  EXPECT_TRUE(refused([](BudgetInput& input) { input.down = -absl::Hours(1); }));
  EXPECT_TRUE(refused([](BudgetInput& input) { input.unknown = -absl::Hours(1); }));
  EXPECT_TRUE(refused([](BudgetInput& input) { input.down = absl::Hours(150); }));  // and 1 h unknown
  EXPECT_TRUE(refused([](BudgetInput& input) { input.days = -1; }));
  EXPECT_TRUE(refused([](BudgetInput& input) { input.days = std::numeric_limits<double>::infinity(); }));
}

}  // namespace
}  // namespace bayward
