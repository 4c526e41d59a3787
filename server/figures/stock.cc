#include "server/figures/stock.h"

#include <algorithm>
#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/negative_binomial.hpp"
#include "boost/math/distributions/poisson.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using NegativeBinomial = boost::math::negative_binomial_distribution<double, Quiet>;
using Poisson = boost::math::poisson_distribution<double, Quiet>;

constexpr double kMeanMax = 100'000;
constexpr int kStockMax = 10'000'000;

absl::Status CheckDemand(const LeadTimeDemand& demand) {
  if (!(demand.mean >= 0 && demand.mean <= kMeanMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a mean demand between 0 and ", kMeanMax, " parts, found ", demand.mean));
  }
  if (demand.shape && (!(*demand.shape > 0) || !std::isfinite(*demand.shape))) {
    return absl::InvalidArgumentError(absl::StrCat("expected a shape above 0, found ", *demand.shape,
                                                   "; leave it out for a Poisson demand"));
  }
  return absl::OkStatus();
}

// A shape so large that the law is Poisson to the last digit, where its success probability would round to 1.
bool IsPoisson(const LeadTimeDemand& demand) { return !demand.shape || *demand.shape > 1e12; }

// P(demand <= count).
double AtMost(const LeadTimeDemand& demand, double count) {
  if (count < 0) return 0;
  if (!(demand.mean > 0)) return 1;
  if (IsPoisson(demand)) return boost::math::cdf(Poisson(demand.mean), count);
  const double shape = *demand.shape;
  return boost::math::cdf(NegativeBinomial(shape, shape / (shape + demand.mean)), count);
}

// P(demand > count).
double Above(const LeadTimeDemand& demand, double count) {
  if (count < 0) return 1;
  if (!(demand.mean > 0)) return 0;
  if (IsPoisson(demand)) return boost::math::cdf(boost::math::complement(Poisson(demand.mean), count));
  const double shape = *demand.shape;
  return boost::math::cdf(
      boost::math::complement(NegativeBinomial(shape, shape / (shape + demand.mean)), count));
}

// E[(demand − s)⁺] = E[demand; demand > s] − s·P(demand > s); k·P(k) of the law is the mean times the law
// with one more success at k − 1.
double ExpectedShort(const LeadTimeDemand& demand, double stock) {
  if (stock <= 0) return demand.mean;
  double above_tilted = 0;
  if (IsPoisson(demand)) {
    above_tilted = Above(demand, stock - 1);
  } else {
    const double shape = *demand.shape;
    const LeadTimeDemand tilted{.mean = demand.mean * (shape + 1) / shape, .shape = shape + 1};
    above_tilted = Above(tilted, stock - 1);
  }
  return std::max(0.0, demand.mean * above_tilted - stock * Above(demand, stock));
}

StockLevel Judge(const LeadTimeDemand& demand, int stock) {
  return {.stock = stock,
          .probability_enough = AtMost(demand, stock - 1.0),
          .probability_one_less = AtMost(demand, stock - 2.0),
          .expected_short = ExpectedShort(demand, stock),
          .expected_short_one_more = ExpectedShort(demand, stock + 1.0)};
}

}  // namespace

absl::StatusOr<LeadTimeDemand> SumLeadTimeDemand(std::span<const PartUse> uses) {
  LeadTimeDemand demand;
  double excess = 0;  // of the variance over the mean
  for (const PartUse& use : uses) {
    const GammaRate& rate = use.rate;
    if (!(rate.shape > 0 && rate.inverse_scale > 0) || !std::isfinite(rate.shape) ||
        !std::isfinite(rate.inverse_scale)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a rate with shape and inverse scale above 0, found ", rate.shape, " and ",
                       rate.inverse_scale));
    }
    if (!(use.exposure >= 0) || !std::isfinite(use.exposure)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected an exposure of at least 0, found ", use.exposure));
    }
    if (!(use.parts_per_failure > 0 && use.parts_per_failure <= 1)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a share of failures above 0 and at most 1, found ", use.parts_per_failure));
    }
    const double mean = use.parts_per_failure * rate.shape * (use.exposure / rate.inverse_scale);
    demand.mean += mean;
    excess += mean * mean / rate.shape;
  }
  if (excess > 0) {
    const double shape = demand.mean * demand.mean / excess;
    if (std::isfinite(shape) && shape > 0) demand.shape = shape;
  }
  if (const absl::Status status = CheckDemand(demand); !status.ok()) return status;
  return demand;
}

absl::StatusOr<StockLevel> SmallestStock(const LeadTimeDemand& demand, double target) {
  if (const absl::Status status = CheckDemand(demand); !status.ok()) return status;
  if (!(target > 0 && target < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a target between 0 and 1, found ", target, "; give 0.95 for 95 %"));
  }
  // P(demand <= low) < target <= P(demand <= high): doubled, then halved, so that ties fall as the definition
  // says.
  double low = -1;
  double high = 0;
  while (AtMost(demand, high) < target) {
    low = high;
    high = 2 * high + 1;
    if (high > kStockMax) {
      return absl::InvalidArgumentError(absl::StrCat("expected a target that at most ", kStockMax,
                                                     " parts reach, found ", target, " with a mean of ",
                                                     demand.mean));
    }
  }
  while (high - low > 1) {
    const double middle = std::floor((low + high) / 2);
    (AtMost(demand, middle) < target ? low : high) = middle;
  }
  return Judge(demand, static_cast<int>(high) + 1);
}

absl::StatusOr<StockLevel> JudgeStock(const LeadTimeDemand& demand, int stock) {
  if (const absl::Status status = CheckDemand(demand); !status.ok()) return status;
  if (stock < 0 || stock > kStockMax) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a stock between 0 and ", kStockMax, ", found ", stock));
  }
  return Judge(demand, stock);
}

absl::StatusOr<double> WashesSavedByOneMore(const StockLevel& level, double washes_per_stock_out) {
  if (!(washes_per_stock_out >= 0) || !std::isfinite(washes_per_stock_out)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected washes per stock-out of at least 0, found ", washes_per_stock_out));
  }
  return (level.expected_short - level.expected_short_one_more) * washes_per_stock_out;
}

}  // namespace bayward
