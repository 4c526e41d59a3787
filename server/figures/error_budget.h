// How much down time a target still allows in a contract period, and how fast it is being used up. Pure: any
// thread may compute.
#pragma once

#include <optional>

#include "absl/status/statusor.h"
#include "absl/time/time.h"

namespace bayward {

// Durations are of required time and not negative.
struct BudgetInput {
  double target = 0;  // availability promised: above 0, below 1
  // Of the whole contract period as now planned; above 0, finite.
  absl::Duration required_planned = absl::ZeroDuration();
  absl::Duration required_so_far = absl::ZeroDuration();  // of it, up to now
  absl::Duration down = absl::ZeroDuration();  // D so far
  // X so far: may turn out to be down; D + X at most required_so_far.
  absl::Duration unknown = absl::ZeroDuration();
  double days = 0;  // calendar days of the period so far, as 27.5; 0 before it begins
};

// Low counts all unknown time as up, high all as down.
struct ErrorBudget {
  absl::Duration budget;  // (1 − target)·required_planned
  absl::Duration left_low;  // budget − D − X; negative: overspent
  absl::Duration left_high;  // budget − D
  // Down time a day so far: D/days … (D + X)/days. Absent with no day.
  std::optional<absl::Duration> burn_per_day_low;
  std::optional<absl::Duration> burn_per_day_high;
  // Burn rate, the share of required time that was down over the share allowed: D/required_so_far/(1 −
  // target) … the same of D + X. At 1 the budget lasts the period exactly (Google, The Site Reliability
  // Workbook, chapter 5). Absent with no required time so far.
  std::optional<double> burn_rate_low;
  std::optional<double> burn_rate_high;
  // Days until the budget is used up at the burn so far: left/burn, of the high burn with the low left … of
  // the low burn with the high left. 0 where it is used up; absent where nothing burns, and with no day.
  std::optional<double> days_left_low;
  std::optional<double> days_left_high;
};

// Errors: InvalidArgument outside the ranges above, and where required_so_far exceeds required_planned.
absl::StatusOr<ErrorBudget> ComputeErrorBudget(const BudgetInput& input);

}  // namespace bayward
