// What limits of a mean between failures can be computed from; shared by time and by cycles. Pure.
#pragma once

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "server/statistics/mtbf.h"

namespace bayward {

// InvalidArgument for too few failures (0, or 1 where a failure ended the observation) or a confidence outside (0, 1).
inline absl::Status CheckLimitInputs(int failures, double confidence, Termination ended_by) {
  const int failures_min = ended_by == Termination::kFailure ? 1 : 0;
  if (failures < failures_min) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected at least ", failures_min, " failures, found ", failures));
  }
  if (!(confidence > 0 && confidence < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a confidence between 0 and 1, found ", confidence, "; give 0.9 for 90 %"));
  }
  return absl::OkStatus();
}

}  // namespace bayward
