#include "server/figures/error_budget.h"

#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

absl::Status Check(const BudgetInput& input) {
  if (!(input.target > 0 && input.target < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a target between 0 and 1, found ", input.target, "; give 0.98 for 98 %"));
  }
  if (input.required_planned <= absl::ZeroDuration() || input.required_planned == absl::InfiniteDuration()) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected required time above 0 in the contract period, found ",
                     absl::FormatDuration(input.required_planned)));
  }
  if (input.required_so_far < absl::ZeroDuration() || input.required_so_far > input.required_planned) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected required time so far between 0 and the ", absl::FormatDuration(input.required_planned),
        " of the period, found ", absl::FormatDuration(input.required_so_far)));
  }
  if (input.down < absl::ZeroDuration() || input.unknown < absl::ZeroDuration() ||
      input.down + input.unknown > input.required_so_far) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected down and unknown time of at least 0 and together at most the required ",
                     absl::FormatDuration(input.required_so_far), " so far, found ",
                     absl::FormatDuration(input.down), " and ", absl::FormatDuration(input.unknown)));
  }
  if (!(input.days >= 0) || !std::isfinite(input.days)) {
    return absl::InvalidArgumentError(absl::StrCat("expected at least 0 days so far, found ", input.days));
  }
  return absl::OkStatus();
}

std::optional<double> DaysLeft(absl::Duration left, absl::Duration burn_per_day) {
  if (left <= absl::ZeroDuration()) return 0;
  if (burn_per_day <= absl::ZeroDuration()) return std::nullopt;
  return absl::FDivDuration(left, burn_per_day);
}

}  // namespace

absl::StatusOr<ErrorBudget> ComputeErrorBudget(const BudgetInput& input) {
  if (const absl::Status status = Check(input); !status.ok()) return status;
  const double allowed = 1 - input.target;
  const absl::Duration down_high = input.down + input.unknown;
  ErrorBudget budget;
  budget.budget = absl::Seconds(absl::ToDoubleSeconds(input.required_planned) * allowed);
  budget.left_low = budget.budget - down_high;
  budget.left_high = budget.budget - input.down;
  if (input.required_so_far > absl::ZeroDuration()) {
    budget.burn_rate_low = absl::FDivDuration(input.down, input.required_so_far) / allowed;
    budget.burn_rate_high = absl::FDivDuration(down_high, input.required_so_far) / allowed;
  }
  if (input.days > 0) {
    budget.burn_per_day_low = absl::Seconds(absl::ToDoubleSeconds(input.down) / input.days);
    budget.burn_per_day_high = absl::Seconds(absl::ToDoubleSeconds(down_high) / input.days);
    budget.days_left_low = DaysLeft(budget.left_low, *budget.burn_per_day_high);
    budget.days_left_high = DaysLeft(budget.left_high, *budget.burn_per_day_low);
  }
  return budget;
}

}  // namespace bayward
