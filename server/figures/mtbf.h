// Mean operating time between failures on the up-time basis, U/n, with two-sided chi-square limits for a
// time-terminated observation (NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1).
#pragma once

#include <optional>

#include "absl/status/statusor.h"
#include "absl/time/time.h"

namespace bayward {

struct Mtbf {
  std::optional<absl::Duration> point;  // absent with no failures
  absl::Duration lower;
  std::optional<absl::Duration> upper;  // absent with no failures
};

// `up` > 0: observed up time; `failures` >= 0; 0 < `confidence` < 1, two-sided.
// lower = 2·up/χ²(1−α/2; 2n+2), upper = 2·up/χ²(α/2; 2n). With no failures only a one-sided lower limit at
// `confidence` exists, up/(−ln α). Errors: InvalidArgument outside these ranges.
absl::StatusOr<Mtbf> ComputeMtbf(absl::Duration up, int failures, double confidence);

}  // namespace bayward
