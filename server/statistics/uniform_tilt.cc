#include "server/statistics/uniform_tilt.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <utility>

#include "boost/math/distributions/chi_squared.hpp"
#include "boost/math/tools/roots.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

// 1 − TiltMean(θ) for θ >= 0, without the cancellation of that difference where θ is large.
double UpperGap(double tilt) {
  if (tilt < 0.02) return 0.5 - tilt / 12 + tilt * tilt * tilt / 720 - std::pow(tilt, 5) / 30240;
  return 1 / tilt - 1 / std::expm1(tilt);
}

template <typename Function>
double Root(const Function& function, double low, double high) {
  std::uintmax_t iterations = 200;
  const std::pair<double, double> bracket = boost::math::tools::toms748_solve(
      function, low, high, boost::math::tools::eps_tolerance<double>(50), iterations, Quiet());
  return (bracket.first + bracket.second) / 2;
}

}  // namespace

double TiltLogNormalizer(double tilt) {
  const double size = std::abs(tilt);
  if (size < 1e-12) return tilt / 2;  // its first term; the next, θ²/24, is below the last digit
  return std::max(tilt, 0.0) + std::log(-std::expm1(-size) / size);
}

double TiltMean(double tilt) { return tilt < 0 ? UpperGap(-tilt) : 1 - UpperGap(tilt); }

double TiltVariance(double tilt) {
  const double square = tilt * tilt;
  if (square < 0.0025) return 1.0 / 12 - square / 240 + square * square / 6048;
  const double half_sinh = std::sinh(tilt / 2);
  return 1 / square - 1 / (4 * half_sinh * half_sinh);
}

double SolveTilt(double mean) {
  const double gap = std::min(mean, 1 - mean);
  if (gap >= 0.5) return 0;
  // UpperGap falls from 1/2 at 0 and stays below 1/θ, so that the root lies below 1/gap.
  const double tilt = Root([gap](double at) { return UpperGap(at) - gap; }, 0.0, 1 / gap);
  return mean < 0.5 ? -tilt : tilt;
}

double TiltDeviance(int events, double mean, double tilt) {
  const double best = SolveTilt(mean);
  const double gain = (best - tilt) * mean - TiltLogNormalizer(best) + TiltLogNormalizer(tilt);
  return 2 * events * std::max(gain, 0.0);
}

TiltLimits LikelihoodTiltLimits(int events, double mean, double confidence) {
  const boost::math::chi_squared_distribution<double, Quiet> chi_squared(1);
  const double cut = boost::math::quantile(chi_squared, confidence);
  const double best = SolveTilt(mean);
  const double at_best = best * mean - TiltLogNormalizer(best);
  const auto excess = [&](double tilt) {
    return 2 * events * (at_best - tilt * mean + TiltLogNormalizer(tilt)) - cut;
  };
  // The deviance is convex and grows without bound on both sides, so that doubling steps end.
  const auto limit = [&](double direction) {
    double step = direction * std::sqrt(cut / (events * TiltVariance(best)));
    while (excess(best + step) < 0) step *= 2;
    return Root(excess, std::min(best, best + step), std::max(best, best + step));
  };
  return {.lower = limit(-1), .upper = limit(1)};
}

}  // namespace bayward
