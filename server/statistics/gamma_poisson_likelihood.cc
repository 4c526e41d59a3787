#include "server/statistics/gamma_poisson_likelihood.h"

#include <algorithm>
#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/special_functions/gamma.hpp"
#include "boost/math/tools/toms748_solve.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

constexpr int kCountMax = 20'000;

}  // namespace

absl::StatusOr<GammaPoissonLikelihood> GammaPoissonLikelihood::Make(std::span<const ExposedCount> machines) {
  GammaPoissonLikelihood likelihood;
  likelihood.machines_.reserve(machines.size());
  int greatest = 0;
  for (const ExposedCount& machine : machines) {
    if (machine.count < 0 || machine.count > kCountMax) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a count between 0 and ", kCountMax, ", found ", machine.count));
    }
    if (!(machine.exposure > 0) || !std::isfinite(machine.exposure)) {
      return absl::InvalidArgumentError(absl::StrCat("expected an exposure above 0, found ", machine.exposure,
                                                     "; leave out machines without any"));
    }
    greatest = std::max(greatest, machine.count);
    const double count = machine.count;
    likelihood.machines_.push_back({.count = count, .exposure = machine.exposure});
    likelihood.count_ += count;
    likelihood.constant_ += count * std::log(machine.exposure) - boost::math::lgamma(count + 1, Quiet());
    likelihood.rate_max_ = std::max(likelihood.rate_max_, count / machine.exposure);
  }
  if (greatest == 0) {
    return absl::InvalidArgumentError("expected at least one failure among the machines, found none");
  }
  // As many with exactly k + 1, then summed from the top.
  likelihood.with_more_than_.assign(static_cast<std::size_t>(greatest), 0);
  for (const ExposedCount& machine : machines) {
    if (machine.count > 0) ++likelihood.with_more_than_[static_cast<std::size_t>(machine.count) - 1];
  }
  for (std::size_t k = likelihood.with_more_than_.size() - 1; k > 0; --k) {
    likelihood.with_more_than_[k - 1] += likelihood.with_more_than_[k];
  }
  return likelihood;
}

// With v = cv² and m = μ·t: P(x) = Π_{k<x} (1 + k·v) · m^x / x! · (1 + m·v)^−(x + 1/v), which stays exact as
// v → 0.
double GammaPoissonLikelihood::Log(double log_mean, double cv) const {
  const double mean = std::exp(log_mean);
  const double v = cv * cv;
  double sum = constant_ + count_ * log_mean;
  for (std::size_t k = 1; k < with_more_than_.size(); ++k) {
    sum += static_cast<double>(with_more_than_[k]) * std::log1p(static_cast<double>(k) * v);
  }
  for (const Term& machine : machines_) {
    const double expected = mean * machine.exposure;
    sum -= v > 0 ? (machine.count + 1 / v) * std::log1p(expected * v) : expected;
  }
  return sum;
}

double GammaPoissonLikelihood::BestLogMean(double cv, int digits) const {
  const double v = cv * cv;
  const auto slope = [&](double log_mean) {
    const double mean = std::exp(log_mean);
    double sum = count_;
    for (const Term& machine : machines_) {
      const double expected = mean * machine.exposure;
      sum -= (machine.count * v + 1) * expected / (1 + expected * v);
    }
    return sum;
  };
  // Each machine's part is at most (x·v + 1)·μ·t, and is x where μ = x/t.
  double weighted = 0;
  for (const Term& machine : machines_) weighted += (machine.count * v + 1) * machine.exposure;
  const double low = std::log(count_ / weighted) - 1e-6;
  const double high = std::log(rate_max_) + 1e-6;
  std::uintmax_t iterations = 100;
  const double wanted = std::ldexp(1.0, -digits);
  const auto close = [wanted](double a, double b) { return std::abs(a - b) <= wanted; };
  const auto [left, right] = boost::math::tools::toms748_solve(slope, low, high, slope(low), slope(high),
                                                               close, iterations, Quiet());
  return (left + right) / 2;
}

double GammaPoissonLikelihood::Curvature(double log_mean, double cv) const {
  const double mean = std::exp(log_mean);
  const double v = cv * cv;
  double sum = 0;
  for (const Term& machine : machines_) {
    const double expected = mean * machine.exposure;
    const double shrunk = 1 + expected * v;
    sum += (machine.count * v + 1) * expected / (shrunk * shrunk);
  }
  return sum;
}

}  // namespace bayward
