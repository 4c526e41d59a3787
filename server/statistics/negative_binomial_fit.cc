#include "server/statistics/negative_binomial_fit.h"

#include <algorithm>
#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/negative_binomial.hpp"
#include "boost/math/distributions/poisson.hpp"
#include "boost/math/tools/minima.hpp"
#include "server/statistics/gamma_poisson_likelihood.h"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

constexpr int kDigits = 40;  // binary, of log mean
constexpr int kCountMax = 1'000'000;

double ProfileLog(const GammaPoissonLikelihood& likelihood, double cv) {
  return likelihood.Log(likelihood.BestLogMean(cv, kDigits), cv);
}

// The log cv of the greatest profile likelihood on a scan, then between its neighbours.
double BestLogCv(const GammaPoissonLikelihood& likelihood) {
  constexpr double kLow = -6;  // cv 0.0025
  constexpr double kHigh = 4;  // cv 55
  constexpr double kStep = 0.25;
  double best_at = kLow;
  double best = ProfileLog(likelihood, std::exp(kLow));
  for (double at = kLow + kStep; at <= kHigh; at += kStep) {
    const double value = ProfileLog(likelihood, std::exp(at));
    if (value <= best) continue;
    best = value;
    best_at = at;
  }
  const auto falling = [&](double log_cv) { return -ProfileLog(likelihood, std::exp(log_cv)); };
  std::uintmax_t iterations = 200;
  constexpr int kMinimumDigits = 26;  // of log cv: a minimum is flat, half the digits of a double
  return boost::math::tools::brent_find_minima(falling, best_at - kStep, best_at + kStep, kMinimumDigits,
                                               iterations)
      .first;
}

absl::Status CheckFuture(double exposure, int count_max) {
  if (!(exposure >= 0) || !std::isfinite(exposure)) {
    return absl::InvalidArgumentError(absl::StrCat("expected an exposure of at least 0, found ", exposure));
  }
  if (count_max < 0 || count_max > kCountMax) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a greatest count between 0 and ", kCountMax, ", found ", count_max));
  }
  return absl::OkStatus();
}

template <typename Distribution>
std::vector<double> Probabilities(const Distribution& distribution, int count_max) {
  std::vector<double> probabilities;
  probabilities.reserve(static_cast<std::size_t>(count_max) + 1);
  for (int k = 0; k <= count_max; ++k) probabilities.push_back(boost::math::pdf(distribution, k));
  return probabilities;
}

std::vector<double> CertainlyNone(int count_max) {
  std::vector<double> probabilities(static_cast<std::size_t>(count_max) + 1, 0.0);
  probabilities[0] = 1;
  return probabilities;
}

}  // namespace

absl::StatusOr<NegativeBinomialFit> FitNegativeBinomial(std::span<const ExposedCount> machines) {
  const absl::StatusOr<GammaPoissonLikelihood> likelihood = GammaPoissonLikelihood::Make(machines);
  if (!likelihood.ok()) return likelihood.status();
  NegativeBinomialFit fit;
  double log_mean = likelihood->BestLogMean(0, kDigits);
  fit.log_likelihood = likelihood->Log(log_mean, 0);
  const double cv = std::exp(BestLogCv(*likelihood));
  // Where the likelihood falls from cv = 0 on, the best on the scan is its lower end and gains nothing.
  const double log_mean_at_cv = likelihood->BestLogMean(cv, kDigits);
  const double log_likelihood = likelihood->Log(log_mean_at_cv, cv);
  if (log_likelihood > fit.log_likelihood + 1e-9) {
    log_mean = log_mean_at_cv;
    fit.log_likelihood = log_likelihood;
    fit.cv = cv;
    fit.shape = 1 / (cv * cv);
  }
  fit.mean_rate = std::exp(log_mean);
  return fit;
}

absl::StatusOr<std::vector<double>> PredictCounts(const GammaRate& rate, double exposure, int count_max) {
  if (!(rate.shape > 0 && rate.inverse_scale > 0) || !std::isfinite(rate.shape) ||
      !std::isfinite(rate.inverse_scale)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a gamma with shape and inverse scale above 0, found ", rate.shape, " and ",
                     rate.inverse_scale));
  }
  if (const absl::Status status = CheckFuture(exposure, count_max); !status.ok()) return status;
  const double success = rate.inverse_scale / (rate.inverse_scale + exposure);
  if (success >= 1) return CertainlyNone(count_max);
  return Probabilities(boost::math::negative_binomial_distribution<double, Quiet>(rate.shape, success),
                       count_max);
}

absl::StatusOr<std::vector<double>> PredictCounts(const NegativeBinomialFit& fit, const ExposedCount& shown,
                                                  double exposure, int count_max) {
  if (!(fit.mean_rate > 0) || !std::isfinite(fit.mean_rate)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a fit with a mean rate above 0, found ", fit.mean_rate));
  }
  if (shown.count < 0 || !(shown.exposure >= 0) || !std::isfinite(shown.exposure)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a machine that has shown a count and an exposure of at least 0, found ",
                     shown.count, " and ", shown.exposure));
  }
  if (fit.shape) {
    const GammaRate rate{.shape = *fit.shape + shown.count,
                         .inverse_scale = *fit.shape / fit.mean_rate + shown.exposure};
    return PredictCounts(rate, exposure, count_max);
  }
  if (const absl::Status status = CheckFuture(exposure, count_max); !status.ok()) return status;
  const double expected = fit.mean_rate * exposure;
  if (!(expected > 0)) return CertainlyNone(count_max);
  return Probabilities(boost::math::poisson_distribution<double, Quiet>(expected), count_max);
}

}  // namespace bayward
