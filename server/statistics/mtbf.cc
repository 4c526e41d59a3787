#include "server/statistics/mtbf.h"

#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/chi_squared.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using ChiSquared = boost::math::chi_squared_distribution<double, Quiet>;

absl::Duration Scaled(absl::Duration up, double factor) {
  return absl::Seconds(absl::ToDoubleSeconds(up) * factor);
}

}  // namespace

absl::StatusOr<Mtbf> ComputeMtbf(absl::Duration up, int failures, double confidence, Termination ended_by) {
  if (up <= absl::ZeroDuration() || up == absl::InfiniteDuration()) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an up time above 0, found ", absl::FormatDuration(up),
                     ": a machine that was never up has no mean time between failures"));
  }
  const int failures_min = ended_by == Termination::kFailure ? 1 : 0;
  if (failures < failures_min) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected at least ", failures_min, " failures, found ", failures));
  }
  if (!(confidence > 0 && confidence < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a confidence between 0 and 1, found ", confidence, "; give 0.9 for 90 %"));
  }
  const double alpha = 1 - confidence;
  Mtbf mtbf;
  if (failures == 0) {
    mtbf.lower = Scaled(up, -1 / std::log(alpha));
    return mtbf;
  }
  const double twice_n = 2.0 * failures;
  const ChiSquared for_upper(twice_n);
  const ChiSquared for_lower(ended_by == Termination::kFailure ? twice_n : twice_n + 2);
  mtbf.point = Scaled(up, 1.0 / failures);
  mtbf.lower = Scaled(up, 2 / boost::math::quantile(boost::math::complement(for_lower, alpha / 2)));
  mtbf.upper = Scaled(up, 2 / boost::math::quantile(for_upper, alpha / 2));
  return mtbf;
}

}  // namespace bayward
