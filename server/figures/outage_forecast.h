// Days ahead: how many outages a machine will likely have in the next period (14 days), and whether such
// forecasts were better than plain averages, by scores on the past. Pure: any thread may compute.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/dispersion.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {

// P(N = 0), P(N = 1), …, up to where less than about 1e-12 is left.
struct CountDistribution {
  std::vector<double> probability;
  double mean = 0;

  double Probability(int count) const;  // 0 beyond
  double AtMost(int count) const;  // P(N <= count); 1 beyond
  int Quantile(double share) const;  // smallest count with P(N <= count) >= share, 0 < share < 1
};

// Outages during `exposures`, one of them drawn at random: what the machine will be exposed to, as samples
// from its present condition and restoration curve, or one value, the mean. Each gives a negative binomial
// with size α and success probability β/(β + e); the forecast is their average. At least one exposure, each
// >= 0, finite; mean count at most 10,000. Errors: InvalidArgument outside these ranges.
absl::StatusOr<CountDistribution> ForecastOutages(const GammaRate& rate, std::span<const double> exposures);

// Scores of a forecast against what happened; smaller is better (Czado, C., Gneiting, T., Held, L. (2009),
// Predictive model assessment for count data, Biometrics 65:1254–1261). −ln P(N = count); a probability below
// 1e-9 scores as that, so that one surprise does not decide everything.
double LogScore(const CountDistribution& forecast, int count);
// Σ_k (P(N <= k) − 1{count <= k})².
double RankedProbabilityScore(const CountDistribution& forecast, int count);

// Non-randomized probability integral transform (same source): the mean over forecasts of F(u) = 0 up to P(N
// <= x − 1), 1 from P(N <= x) on, linear between, as heights of `bins` equal bins of u that sum to 1. Even
// heights 1/bins: forecasts and frequencies agree; high ends: forecasts too narrow; high middle: too wide.
// Empty without forecasts.
class PitHistogram {
 public:
  explicit PitHistogram(int bins = 10) : below_(static_cast<std::size_t>(bins < 1 ? 1 : bins), 0.0) {}
  void Add(const CountDistribution& forecast, int count);
  std::vector<double> Heights() const;
  int forecasts() const { return forecasts_; }

 private:
  std::vector<double> below_;  // Σ F((j + 1)/bins)
  int forecasts_ = 0;
};

// Rates of machines of one kind, from what they have shown (an exposure of 0: new), for forecasts.
enum class RateRule : std::uint8_t {
  kOwn,  // each machine's own: gamma(x + ½, t); a new one: pooled
  kPooled,  // all have one: gamma(Σx + ½, Σt)
  kShrunk,  // own, drawn to the kind: gamma(α + x, α/μ + t), α and μ by FitNegativeBinomial; pooled where
            // machines do not differ beyond chance or fewer than 2 have been exposed
};
// ½ is Jeffreys' prior: no failure yet is no promise of none. In the order given. Errors: InvalidArgument
// where a count or exposure is negative, or all exposures are 0.
absl::StatusOr<std::vector<GammaRate>> EstimateRates(std::span<const ExposedCount> machines, RateRule rule);

// What one machine had in one period, a fixed number of days.
struct ForecastPeriod {
  ExposedCount had;  // outages begun and exposure; exposure 0: not in service
  // Exposure as it was foreseen when the period began, as samples or one value; empty: the mean exposure of
  // the machine's earlier periods in service, and the fleet's where it has none.
  std::vector<double> foreseen;
};
// [machine][period], periods abutting, the same number for all machines: targets are disjoint.
using ForecastHistory = std::vector<std::vector<ForecastPeriod>>;

// The kind's trend: b of rates proportional to exp(b·period), one b for all machines, by the likelihood given
// each machine's total (conditional on it the own rates drop out). Uses periods before `origin`. Absent with
// fewer than 2 periods, fewer than kTrendOutagesMin outages, or where no finite b is best. Within −2 … 2.
std::optional<double> FitKindTrend(const ForecastHistory& history, std::size_t origin);
inline constexpr int kTrendOutagesMin = 6;

// Forecast of period `origin` (that many periods are past) for every machine by a rule, with the kind's trend
// or without: with it, past exposures count as exp(b·(period − origin)) times themselves. `foreseen[machine]`
// as ForecastPeriod::foreseen. Errors: InvalidArgument where histories differ in length, `origin` is 0 or
// beyond, or no exposure is past; those of EstimateRates and ForecastOutages.
absl::StatusOr<std::vector<CountDistribution>> ForecastPeriodAhead(
    const ForecastHistory& history, std::size_t origin, RateRule rule, bool with_trend,
    std::span<const std::vector<double>> foreseen);

}  // namespace bayward
