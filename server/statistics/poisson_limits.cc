#include "server/statistics/poisson_limits.h"

#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/chi_squared.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using ChiSquared = boost::math::chi_squared_distribution<double, Quiet>;

}  // namespace

absl::StatusOr<PoissonLimits> ComputeCountLimits(double count, double confidence) {
  if (!(count >= 0) || !std::isfinite(count)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a count of at least 0, found ", count));
  }
  if (!(confidence > 0 && confidence < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a confidence between 0 and 1, found ", confidence, "; give 0.95 for 95 %"));
  }
  const double half_alpha = (1 - confidence) / 2;
  PoissonLimits limits;
  if (count > 0) limits.lower = boost::math::quantile(ChiSquared(2 * count), half_alpha) / 2;
  limits.upper = boost::math::quantile(boost::math::complement(ChiSquared(2 * count + 2), half_alpha)) / 2;
  return limits;
}

absl::StatusOr<PoissonRate> ComputePoissonRate(double count, double exposure, double confidence) {
  if (!(exposure > 0) || !std::isfinite(exposure)) {
    return absl::InvalidArgumentError(absl::StrCat("expected an exposure above 0, found ", exposure,
                                                   ": without exposure there is no rate"));
  }
  const absl::StatusOr<PoissonLimits> limits = ComputeCountLimits(count, confidence);
  if (!limits.ok()) return limits.status();
  return PoissonRate{
      .point = count / exposure, .lower = limits->lower / exposure, .upper = limits->upper / exposure};
}

}  // namespace bayward
