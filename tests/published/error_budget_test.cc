#include "server/figures/error_budget.h"

#include <cmath>

#include "gtest/gtest.h"

namespace bayward {
namespace {

// C9.3. Google, The Site Reliability Workbook, chapter 2, tables 2-3 and 2-4, seen: budgets of 3,663,253
// requests, printed cut down to whole ones. A request stands for a second of required time.
TEST(ErrorBudgetPublishedTest, FourWeeksOfRequests) {
  const double targets[][2] = {{0.97, 109'897}, {0.90, 366'325}, {0.99, 36'632}};
  for (const auto& [target, printed] : targets) {
    const absl::StatusOr<ErrorBudget> budget =
        ComputeErrorBudget({.target = target, .required_planned = absl::Seconds(3'663'253)});
    ASSERT_TRUE(budget.ok()) << budget.status();
    EXPECT_EQ(std::floor(absl::ToDoubleSeconds(budget->budget)), printed) << target;
  }
  // 3,557,865 were good, 97.123 %: at a target of 97 % the period was within budget, at 99 % not.
  const absl::Duration all = absl::Seconds(3'663'253);
  const absl::Duration bad = absl::Seconds(3'663'253 - 3'557'865);
  const auto at_97 = ComputeErrorBudget(
      {.target = 0.97, .required_planned = all, .required_so_far = all, .down = bad, .days = 28});
  EXPECT_NEAR(absl::ToDoubleSeconds(at_97->left_high), 109'897.59 - 105'388, 1e-3);
  EXPECT_NEAR(*at_97->burn_rate_low, (1 - 0.971231) / 0.03, 5e-5);
  const auto at_99 = ComputeErrorBudget(
      {.target = 0.99, .required_planned = all, .required_so_far = all, .down = bad, .days = 28});
  EXPECT_LT(at_99->left_high, absl::ZeroDuration());
}

// C9.1. The same, chapter 5, table 5-8, seen: the burn rates at which 2 % of a budget of 30 days are used up
// in 1 h, 5 % in 6 h and 10 % in 3 days.
TEST(ErrorBudgetPublishedTest, BurnRatesOfAlerts) {
  const double rows[][3] = {{0.02, 1, 14.4}, {0.05, 6, 6}, {0.10, 72, 1}};
  for (const auto& [share, window_h, printed] : rows) {
    const absl::Duration used = absl::Hours(720) * 0.001 * share;
    const auto budget = ComputeErrorBudget({.target = 0.999,
                                            .required_planned = absl::Hours(720),
                                            .required_so_far = absl::Hours(1) * window_h,
                                            .down = used,
                                            .days = window_h / 24});
    ASSERT_TRUE(budget.ok()) << budget.status();
    EXPECT_NEAR(*budget->burn_rate_low, printed, 1e-6);
  }
}

// C7.5. The same authors, Site Reliability Engineering, appendix A, second-hand: unavailability allowed at
// 99.9 %, 43.2 minutes in 30 days, and at 99.95 %, 21.6.
TEST(ErrorBudgetPublishedTest, MinutesAllowedInAMonth) {
  const auto minutes = [](double target) {
    return absl::ToDoubleMinutes(
        ComputeErrorBudget({.target = target, .required_planned = absl::Hours(720)})->budget);
  };
  EXPECT_NEAR(minutes(0.999), 43.2, 1e-6);
  EXPECT_NEAR(minutes(0.9995), 21.6, 1e-6);
}

}  // namespace
}  // namespace bayward
