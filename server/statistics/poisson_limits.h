// Exact two-sided limits of a Poisson count, and of the rate it gives over an exposure. Pure: any thread may
// compute. Garwood, F. (1936), Fiducial limits for the Poisson distribution, Biometrika 28:437–442.
#pragma once

#include "absl/status/statusor.h"

namespace bayward {

struct PoissonLimits {
  double lower = 0;
  double upper = 0;
};

// Limits of the expected count where `count` >= 0 events were seen, 0 < `confidence` < 1, two-sided. With α =
// 1 − confidence: lower = ½·χ²(α/2; 2k), 0 where k = 0; upper = ½·χ²(1−α/2; 2k+2). A count need not be whole:
// a count divided by its dispersion is held to the same formula. With no events the upper limit is the
// two-sided one (3.689 at 95 %, not 2.996); a one-sided limit at confidence c is that of two-sided 2c − 1.
// Errors: InvalidArgument outside these ranges.
absl::StatusOr<PoissonLimits> ComputeCountLimits(double count, double confidence);

struct PoissonRate {
  double point = 0;  // count / exposure
  double lower = 0;
  double upper = 0;
};

// The same of a rate: the count and its limits over `exposure` > 0, finite (hours, cycles); per unit of it.
// Errors: InvalidArgument outside these ranges.
absl::StatusOr<PoissonRate> ComputePoissonRate(double count, double exposure, double confidence);

}  // namespace bayward
