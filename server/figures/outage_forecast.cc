#include "server/figures/outage_forecast.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/negative_binomial.hpp"
#include "boost/math/tools/minima.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using NegativeBinomial = boost::math::negative_binomial_distribution<double, Quiet>;

constexpr double kBeyond = 1e-12;  // left out of a distribution
constexpr double kScoredMin = 1e-9;  // the least probability that is scored
constexpr double kMeanMax = 10'000;
constexpr double kTrendMax = 2;
constexpr double kHalf = 0.5;

absl::Status CheckRate(const GammaRate& rate) {
  if (rate.shape > 0 && rate.inverse_scale > 0 && std::isfinite(rate.shape) &&
      std::isfinite(rate.inverse_scale)) {
    return absl::OkStatus();
  }
  return absl::InvalidArgumentError(
      absl::StrCat("expected a rate with shape and inverse scale above 0, found ", rate.shape, " and ",
                   rate.inverse_scale));
}

absl::Status CheckExposures(const GammaRate& rate, std::span<const double> exposures) {
  if (exposures.empty())
    return absl::InvalidArgumentError("expected at least one foreseen exposure, found none");
  for (const double exposure : exposures) {
    if (!(exposure >= 0) || !std::isfinite(exposure)) {
      return absl::InvalidArgumentError(absl::StrCat("expected an exposure of at least 0, found ", exposure));
    }
    const double mean = rate.shape * (exposure / rate.inverse_scale);
    if (!(mean <= kMeanMax)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a mean of at most ", kMeanMax, " outages, found ", mean));
    }
  }
  return absl::OkStatus();
}

absl::Status CheckShown(const ExposedCount& shown) {
  if (shown.count >= 0 && shown.exposure >= 0 && std::isfinite(shown.exposure) &&
      (shown.count == 0 || shown.exposure > 0)) {
    return absl::OkStatus();
  }
  return absl::InvalidArgumentError(
      absl::StrCat("expected an exposure and a count of at least 0, and no count without exposure, found ",
                   shown.count, " in ", shown.exposure));
}

// Adds share · P(N = k) until less than kBeyond is left.
void AddCounts(const GammaRate& rate, double exposure, double share, std::vector<double>& probability) {
  const double success = rate.inverse_scale / (rate.inverse_scale + exposure);
  if (success >= 1) {
    probability[0] += share;
    return;
  }
  const NegativeBinomial law(rate.shape, success);
  double left = 1;
  for (std::size_t k = 0; left > kBeyond; ++k) {
    const double at = static_cast<double>(k);
    const double p = boost::math::pdf(law, at);
    if (k >= probability.size()) probability.push_back(0);
    probability[k] += share * p;
    left -= p;
    // Sums of many terms round: far above the mean the complement is asked for instead.
    if (k % 64 == 63) left = boost::math::cdf(boost::math::complement(law, at));
  }
}

absl::Status CheckHistory(const ForecastHistory& history, std::size_t origin) {
  double past = 0;
  for (const std::vector<ForecastPeriod>& machine : history) {
    if (machine.size() != history.front().size()) {
      return absl::InvalidArgumentError(absl::StrCat("expected as many periods for all machines, found ",
                                                     history.front().size(), " and ", machine.size()));
    }
    if (origin < 1 || origin > machine.size()) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected between 1 and ", machine.size(), " past periods, found ", origin));
    }
    for (const ForecastPeriod& period : machine) {
      if (const absl::Status status = CheckShown(period.had); !status.ok()) return status;
    }
    for (std::size_t p = 0; p < origin; ++p) past += machine[p].had.exposure;
  }
  if (!(past > 0)) return absl::InvalidArgumentError("expected a machine that was exposed, found none");
  return absl::OkStatus();
}

// Mean exposure of the periods in service before `origin`; 0 where there are none.
double MeanExposure(const std::vector<ForecastPeriod>& machine, std::size_t origin) {
  double sum = 0;
  int in_service = 0;
  for (std::size_t p = 0; p < origin; ++p) {
    sum += machine[p].had.exposure;
    in_service += machine[p].had.exposure > 0 ? 1 : 0;
  }
  return in_service > 0 ? sum / in_service : 0;
}

double FleetMeanExposure(const ForecastHistory& history, std::size_t origin) {
  double sum = 0;
  int machines = 0;
  for (const std::vector<ForecastPeriod>& machine : history) {
    const double mean = MeanExposure(machine, origin);
    sum += mean;
    machines += mean > 0 ? 1 : 0;
  }
  return machines > 0 ? sum / machines : 0;
}

// −log likelihood of b given each machine's total.
double MinusLogTrend(const ForecastHistory& history, std::size_t origin, double b) {
  double sum = 0;
  const auto end = static_cast<double>(origin);
  for (const std::vector<ForecastPeriod>& machine : history) {
    double total = 0;
    double weighted = 0;
    for (std::size_t p = 0; p < origin; ++p) {
      const double shift = b * (static_cast<double>(p) - end);
      total += machine[p].had.count;
      sum -= machine[p].had.count * shift;
      weighted += machine[p].had.exposure * std::exp(shift);
    }
    if (total > 0) sum += total * std::log(weighted);
  }
  return sum;
}

std::vector<GammaRate> Pooled(std::span<const ExposedCount> machines) {
  GammaRate pooled;
  pooled.shape = kHalf;
  for (const ExposedCount& machine : machines) {
    pooled.shape += machine.count;
    pooled.inverse_scale += machine.exposure;
  }
  return std::vector<GammaRate>(machines.size(), pooled);
}

std::vector<GammaRate> Own(std::span<const ExposedCount> machines) {
  std::vector<GammaRate> rates = Pooled(machines);
  for (std::size_t i = 0; i < machines.size(); ++i) {
    if (machines[i].exposure > 0) {
      rates[i] = {.shape = machines[i].count + kHalf, .inverse_scale = machines[i].exposure};
    }
  }
  return rates;
}

absl::StatusOr<std::vector<GammaRate>> Shrunk(std::span<const ExposedCount> machines) {
  std::vector<ExposedCount> exposed;
  int failures = 0;
  for (const ExposedCount& machine : machines) {
    if (!(machine.exposure > 0)) continue;
    exposed.push_back(machine);
    failures += machine.count > 0 ? 1 : 0;
  }
  std::vector<GammaRate> rates = Pooled(machines);
  if (exposed.size() < 2 || failures == 0) return rates;
  const absl::StatusOr<NegativeBinomialFit> fit = FitNegativeBinomial(exposed);
  if (!fit.ok()) return fit.status();
  if (!fit->shape) return rates;
  for (std::size_t i = 0; i < machines.size(); ++i) {
    rates[i] = {.shape = *fit->shape + machines[i].count,
                .inverse_scale = *fit->shape / fit->mean_rate + machines[i].exposure};
  }
  return rates;
}

}  // namespace

double CountDistribution::Probability(int count) const {
  if (count < 0 || static_cast<std::size_t>(count) >= probability.size()) return 0;
  return probability[static_cast<std::size_t>(count)];
}

double CountDistribution::AtMost(int count) const {
  if (count >= 0 && static_cast<std::size_t>(count) >= probability.size()) return 1;
  double sum = 0;
  for (int k = 0; k <= count; ++k) sum += Probability(k);
  return std::min(sum, 1.0);
}

int CountDistribution::Quantile(double share) const {
  double sum = 0;
  int k = 0;
  for (const double p : probability) {
    sum += p;
    if (sum >= share) return k;
    ++k;
  }
  return k;
}

absl::StatusOr<CountDistribution> ForecastOutages(const GammaRate& rate, std::span<const double> exposures) {
  if (const absl::Status status = CheckRate(rate); !status.ok()) return status;
  if (const absl::Status status = CheckExposures(rate, exposures); !status.ok()) return status;
  CountDistribution forecast;
  forecast.probability.push_back(0);
  const double share = 1 / static_cast<double>(exposures.size());
  for (const double exposure : exposures) {
    AddCounts(rate, exposure, share, forecast.probability);
    forecast.mean += share * rate.shape * (exposure / rate.inverse_scale);
  }
  return forecast;
}

double LogScore(const CountDistribution& forecast, int count) {
  return -std::log(std::max(forecast.Probability(count), kScoredMin));
}

double RankedProbabilityScore(const CountDistribution& forecast, int count) {
  double score = 0;
  double at_most = 0;
  const int end = std::max(static_cast<int>(forecast.probability.size()), count);
  for (int k = 0; k < end; ++k) {
    at_most = std::min(1.0, at_most + forecast.Probability(k));
    const double away = at_most - (count <= k ? 1 : 0);
    score += away * away;
  }
  return score;
}

void PitHistogram::Add(const CountDistribution& forecast, int count) {
  const double low = forecast.AtMost(count - 1);
  const double high = std::max(low, forecast.AtMost(count));
  const auto bins = static_cast<double>(below_.size());
  for (std::size_t j = 0; j < below_.size(); ++j) {
    const double u = (static_cast<double>(j) + 1) / bins;
    if (u >= high) {
      below_[j] += 1;
    } else if (u > low) {
      below_[j] += (u - low) / (high - low);
    }
  }
  ++forecasts_;
}

std::vector<double> PitHistogram::Heights() const {
  std::vector<double> heights;
  if (forecasts_ == 0) return heights;
  double before = 0;
  for (std::size_t j = 0; j < below_.size(); ++j) {
    // All of a forecast lies below 1, though its sum may round to less.
    const double below = j + 1 == below_.size() ? 1 : below_[j] / forecasts_;
    heights.push_back(below - before);
    before = below;
  }
  return heights;
}

absl::StatusOr<std::vector<GammaRate>> EstimateRates(std::span<const ExposedCount> machines, RateRule rule) {
  double exposure = 0;
  for (const ExposedCount& machine : machines) {
    if (const absl::Status status = CheckShown(machine); !status.ok()) return status;
    exposure += machine.exposure;
  }
  if (!(exposure > 0)) return absl::InvalidArgumentError("expected a machine that was exposed, found none");
  if (rule == RateRule::kOwn) return Own(machines);
  if (rule == RateRule::kPooled) return Pooled(machines);
  return Shrunk(machines);
}

std::optional<double> FitKindTrend(const ForecastHistory& history, std::size_t origin) {
  int outages = 0;
  for (const std::vector<ForecastPeriod>& machine : history) {
    if (machine.size() < origin) return std::nullopt;
    for (std::size_t p = 0; p < origin; ++p) outages += machine[p].had.count;
  }
  if (origin < 2 || outages < kTrendOutagesMin) return std::nullopt;
  // Convex in b: one minimum.
  const auto minus_log = [&](double b) { return MinusLogTrend(history, origin, b); };
  std::uintmax_t iterations = 100;
  constexpr int kDigits = 26;
  const double b =
      boost::math::tools::brent_find_minima(minus_log, -kTrendMax, kTrendMax, kDigits, iterations).first;
  constexpr double kNearEnd = 1e-3;
  if (!std::isfinite(b) || std::abs(b) > kTrendMax - kNearEnd) return std::nullopt;
  return b;
}

absl::StatusOr<std::vector<CountDistribution>> ForecastPeriodAhead(
    const ForecastHistory& history, std::size_t origin, RateRule rule, bool with_trend,
    std::span<const std::vector<double>> foreseen) {
  if (const absl::Status status = CheckHistory(history, origin); !status.ok()) return status;
  if (foreseen.size() != history.size()) {
    return absl::InvalidArgumentError(absl::StrCat("expected foreseen exposures of ", history.size(),
                                                   " machines, found ", foreseen.size()));
  }
  const double b = with_trend ? FitKindTrend(history, origin).value_or(0) : 0;
  std::vector<ExposedCount> shown(history.size());
  for (std::size_t i = 0; i < history.size(); ++i) {
    for (std::size_t p = 0; p < origin; ++p) {
      const ExposedCount& had = history[i][p].had;
      shown[i].count += had.count;
      shown[i].exposure +=
          had.exposure * std::exp(b * (static_cast<double>(p) - static_cast<double>(origin)));
    }
  }
  const absl::StatusOr<std::vector<GammaRate>> rates = EstimateRates(shown, rule);
  if (!rates.ok()) return rates.status();
  const double fleet_mean = FleetMeanExposure(history, origin);
  std::vector<CountDistribution> forecasts;
  for (std::size_t i = 0; i < history.size(); ++i) {
    const double own_mean = MeanExposure(history[i], origin);
    const double mean[] = {own_mean > 0 ? own_mean : fleet_mean};
    absl::StatusOr<CountDistribution> forecast =
        foreseen[i].empty() ? ForecastOutages((*rates)[i], mean) : ForecastOutages((*rates)[i], foreseen[i]);
    if (!forecast.ok()) return forecast.status();
    forecasts.push_back(*std::move(forecast));
  }
  return forecasts;
}

}  // namespace bayward
