#include "server/figures/site_days.h"

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "boost/math/special_functions/gamma.hpp"
#include "boost/math/tools/minima.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

constexpr double kRegionWeightMax = 1e6;
constexpr double kOwnShapeMin = 0.1;
constexpr double kOwnShapeMax = 1e5;
constexpr double kRegionGainMin = 1;  // in log likelihood: less is chance
constexpr double kOwnGainMin = 1e-6;  // against the greatest shape: rounding

double LogGamma(double x) { return boost::math::lgamma(x, Quiet()); }

// The value between two at which `minus_log` of its logarithm is least; one minimum there.
template <typename MinusLog>
double Best(const MinusLog& minus_log, double low, double high) {
  std::uintmax_t iterations = 60;
  constexpr int kDigits = 20;
  return boost::math::tools::brent_find_minima(minus_log, std::log(low), std::log(high), kDigits, iterations)
      .first;
}

}  // namespace

SiteDays::SiteDays(std::size_t sites, int first_day, int last_day)
    : first_day_(first_day),
      days_(static_cast<std::size_t>(last_day - first_day + 1)),
      cells_(sites * days_) {}

SiteDays::Day& SiteDays::At(std::size_t site, int day) {
  return cells_[site * days_ + static_cast<std::size_t>(day - first_day_)];
}

void SiteDays::AddUp() {
  totals_.assign(days_, {});
  for (std::size_t k = 0; k < cells_.size(); ++k) {
    totals_[k % days_].expected += cells_[k].expected;
    totals_[k % days_].observed += cells_[k].observed;
  }
}

double SiteDays::FactorFromOthers(std::size_t cell, double region_weight) const {
  const Day& own = cells_[cell];
  const Day& total = totals_[cell % days_];
  return (region_weight + std::max(0.0, total.observed - own.observed)) /
         (region_weight + std::max(0.0, total.expected - own.expected));
}

void SiteDays::SetFactors(double region_weight) {
  for (std::size_t k = 0; k < cells_.size(); ++k) cells_[k].factor = FactorFromOthers(k, region_weight);
}

std::optional<double> SiteDays::FitRegionWeight() const {
  const auto minus_log = [this](double log_weight) {
    const double weight = std::exp(log_weight);
    double sum = 0;
    for (std::size_t k = 0; k < cells_.size(); ++k) {
      if (!(cells_[k].expected > 0)) continue;
      const double mean = cells_[k].expected * FactorFromOthers(k, weight);
      sum += mean - cells_[k].observed * std::log(mean);
    }
    return sum;
  };
  const double best = Best(minus_log, 1, kRegionWeightMax);
  if (!(minus_log(best) < minus_log(std::log(kRegionWeightMax)) - kRegionGainMin)) return std::nullopt;
  return std::exp(best);
}

std::optional<double> SiteDays::FitOwnShape() const {
  const auto minus_log = [this](double log_shape) {
    const double shape = std::exp(log_shape);
    const double log_gamma = LogGamma(shape);
    double sum = 0;
    for (const Day& day : cells_) {
      if (!(day.expected > 0)) continue;
      const double mean = day.expected * day.factor;
      sum += log_gamma - LogGamma(shape + day.observed) + (shape + day.observed) * std::log1p(mean / shape) -
             day.observed * std::log(mean / shape);
    }
    return sum;
  };
  const double best = Best(minus_log, kOwnShapeMin, kOwnShapeMax);
  if (!(minus_log(best) < minus_log(std::log(kOwnShapeMax)) - kOwnGainMin)) return std::nullopt;
  return std::exp(best);
}

}  // namespace bayward
