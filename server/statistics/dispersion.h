// Whether failures come one by one or in clusters, and the limits of the mean time and of the mean cycles
// between failures widened for clusters. Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/statistics/mtbf.h"

namespace bayward {

// Failures that began while exposed, as up hours or completed cycles, one unit for all that is compared.
struct ExposedCount {
  int count = 0;  // >= 0
  double exposure = 0;  // >= 0, finite
};

inline constexpr double kDispersionMax = 1.2;  // up to here failures are taken as one by one
inline constexpr int kDispersionWeeksMin = 13;  // with fewer weeks the dispersion is itself too uncertain

enum class DispersionVerdict : std::uint8_t {
  kOneByOne,  // φ <= kDispersionMax: plain limits hold
  kClustered,  // φ > kDispersionMax: limits are widened
  kTooFewWeeks,  // φ is absent; plain limits, which may be too narrow
  kNoFailures,  // φ is absent
};
// In plain words, as "failures come in clusters".
const char* DispersionWords(DispersionVerdict verdict);

struct Dispersion {
  std::optional<double> phi;
  int weeks = 0;  // after joining
  DispersionVerdict verdict = DispersionVerdict::kNoFailures;
  // What n and U are divided by: φ where clustered, else 1.
  double divisor() const { return verdict == DispersionVerdict::kClustered ? phi.value_or(1.0) : 1.0; }
};

// `weeks` in order of time. φ = X²/(weeks − 1), Pearson's X² = Σ (n_w − e_w)²/e_w with e_w = U_w·Σn/ΣU: the
// statistic over what is expected of it where failures are Poisson with one rate (McCullagh & Nelder,
// Generalized Linear Models, 1989, 6.2). A week with less than half the mean exposure is joined to the next,
// the last to the one before, as a week that could hardly expect a failure would rule the sum. Errors:
// InvalidArgument where a count is negative, an exposure negative or not finite, or all exposure is 0.
absl::StatusOr<Dispersion> ComputeDispersion(std::span<const ExposedCount> weeks);

// As ComputeMtbf, with n and U divided by the dispersion's divisor: the point stays U/n, the limits widen.
// With no failures, the lower limit of ComputeMtbf. In simulation with clusters of mean 2 limits at 95 %
// cover 92 to 95 % from one failure a week on, plain ones 74 to 84 %; some seven failures in 13 weeks show
// too little of their clusters, and 88 to 90 % are covered. Errors: those of ComputeMtbf.
absl::StatusOr<Mtbf> ComputeDispersedMtbf(absl::Duration up, int failures, double confidence,
                                          const Dispersion& dispersion,
                                          Termination ended_by = Termination::kTime);

// Mean completed cycles between failures: c/n with the same limits on a count of cycles.
struct CyclesBetweenFailures {
  std::optional<double> point;  // absent with no failures
  double lower = 0;
  std::optional<double> upper;  // absent with no failures
};

// `cycles` > 0; otherwise as ComputeMtbf. A default Dispersion gives the plain limits. Errors:
// InvalidArgument.
absl::StatusOr<CyclesBetweenFailures> ComputeCyclesBetweenFailures(std::int64_t cycles, int failures,
                                                                   double confidence,
                                                                   const Dispersion& dispersion = {},
                                                                   Termination ended_by = Termination::kTime);

}  // namespace bayward
