// Mean operating time between failures on the up-time basis, U/n, with two-sided chi-square limits
// (NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1). Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <optional>

#include "absl/status/statusor.h"
#include "absl/time/time.h"

namespace bayward {

struct Mtbf {
  std::optional<absl::Duration> point;  // absent with no failures
  absl::Duration lower;
  std::optional<absl::Duration> upper;  // absent with no failures
};

// What ended the observation: a time fixed beforehand, as a report's window, or a failure, as a test to the
// n-th one.
enum class Termination : std::uint8_t { kTime, kFailure };

// `up` > 0, finite: observed up time; `failures` >= 0 (> 0 where a failure ended the observation); 0 <
// `confidence` < 1, two-sided. With α = 1 − confidence: lower = 2·up/χ²(1−α/2; 2n+2), or 2n degrees of
// freedom where a failure ended the observation; upper = 2·up/χ²(α/2; 2n). A one-sided lower limit at
// confidence c is the lower one of two-sided 2c − 1. With no failures only a one-sided lower limit at
// `confidence` exists, up/(−ln α). Errors: InvalidArgument outside these ranges.
absl::StatusOr<Mtbf> ComputeMtbf(absl::Duration up, int failures, double confidence,
                                 Termination ended_by = Termination::kTime);

}  // namespace bayward
