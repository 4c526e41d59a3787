#include "server/statistics/mtbf.h"

#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/chi_squared.hpp"
#include "server/statistics/limit_inputs.h"
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
  if (absl::Status status = CheckLimitInputs(failures, confidence, ended_by); !status.ok()) return status;
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
