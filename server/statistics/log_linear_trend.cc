#include "server/statistics/log_linear_trend.h"

#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/chi_squared.hpp"
#include "boost/math/distributions/normal.hpp"
#include "server/statistics/quiet.h"
#include "server/statistics/uniform_tilt.h"

namespace bayward {
namespace {

absl::Status CheckWindow(const EventHistory& history, double confidence) {
  if (absl::Status checked = CheckEvents(history); !checked.ok()) return checked;
  if (history.ended_by == Termination::kFailure) {
    return absl::InvalidArgumentError("expected a window that a time ended, found one ended by a failure");
  }
  if (!(confidence > 0 && confidence < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a confidence between 0 and 1, found ", confidence, "; give 0.9 for 90 %"));
  }
  if (history.at.size() < 2) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected at least 2 events for a slope, found ", history.at.size()));
  }
  if (history.at.back() <= 0 || history.at.front() >= history.end) {
    return absl::InvalidArgumentError(absl::StrCat("expected events inside the window 0 to ", history.end,
                                                   ", found all at ", history.at.front(),
                                                   ": no finite slope"));
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<LogLinearTrendFit> FitLogLinearTrend(const EventHistory& history, double confidence) {
  if (absl::Status checked = CheckWindow(history, confidence); !checked.ok()) return checked;
  LogLinearTrendFit fit;
  fit.events = static_cast<int>(history.at.size());
  fit.end = history.end;
  double mean = 0;
  for (const double at : history.at) mean += at / history.end / fit.events;
  const double tilt = SolveTilt(mean);
  const TiltLimits limits = LikelihoodTiltLimits(fit.events, mean, confidence);
  fit.slope = tilt / fit.end;
  fit.slope_error = 1 / (fit.end * std::sqrt(fit.events * TiltVariance(tilt)));
  fit.slope_lower = limits.lower / fit.end;
  fit.slope_upper = limits.upper / fit.end;
  fit.log_intensity = std::log(fit.events / fit.end) - TiltLogNormalizer(tilt);
  fit.window_factor = std::exp(tilt);
  fit.likelihood_ratio = TiltDeviance(fit.events, mean, 0);
  const boost::math::chi_squared_distribution<double, Quiet> chi_squared(1);
  fit.probability = boost::math::cdf(boost::math::complement(chi_squared, fit.likelihood_ratio));
  const double root = std::copysign(std::sqrt(fit.likelihood_ratio), tilt);
  const boost::math::normal_distribution<double, Quiet> normal;
  fit.p_improving = boost::math::cdf(normal, root);
  fit.p_worsening = boost::math::cdf(boost::math::complement(normal, root));
  return fit;
}

double LogLinearIntensity(const LogLinearTrendFit& fit, double at) {
  return std::exp(fit.log_intensity + fit.slope * at);
}

double ExpectedEvents(const LogLinearTrendFit& fit, double from, double to) {
  const double span = to - from;
  return span * LogLinearIntensity(fit, from) * std::exp(TiltLogNormalizer(fit.slope * span));
}

}  // namespace bayward
