// How forecasts of outages did on the past: at each origin every rule forecasts the period that follows from
// what lay before it, and the scores are compared origin by origin. Pure: any thread may compute.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/figures/outage_forecast.h"

namespace bayward {

// Means over the machines exposed in the origin's period.
struct OriginScore {
  double log = 0;
  double ranked = 0;
};

// Of a difference of scores, one value an origin; below 0 the first one was better. `standard_error`, limits
// (Student, 95 % two-sided) and p absent with fewer than 2 origins.
struct PairedDifference {
  double mean = 0;
  std::optional<double> standard_error;
  std::optional<double> lower;
  std::optional<double> upper;
  std::optional<double> p_better;  // one-sided: of a mean at least as low where the two are alike
};

// Of first − second, origin by origin; as many of both. Errors: InvalidArgument otherwise, and where there is
// none.
absl::StatusOr<PairedDifference> ComparePaired(std::span<const double> first, std::span<const double> second);

struct ScoredRule {
  std::vector<OriginScore> by_origin;
  OriginScore mean;  // over the origins
};

struct Comparison {
  PairedDifference log;
  PairedDifference ranked;
};

struct ForecastScores {
  std::vector<std::size_t> origins;  // periods that were forecast
  ScoredRule own;
  ScoredRule pooled;
  ScoredRule shrunk;
  ScoredRule with_trend;  // the shrunk rate with the kind's trend
  ScoredRule used;  // at each origin the trend if it had beaten the shrunk rate before, else the shrunk rate
  Comparison shrunk_against_own;
  Comparison shrunk_against_pooled;
  Comparison trend_against_shrunk;
  Comparison used_against_own;
  Comparison used_against_pooled;
  std::vector<double> pit;  // of `used`, non-randomized, 10 bins
  int forecasts = 0;
  // Whether the next forecast is to take the trend in: at least kTrendOriginsMin origins, and the trend
  // better by both scores with p_better <= 0.05 each.
  bool trend_enters = false;
};
inline constexpr int kTrendOriginsMin = 6;

// Origins first_origin … periods − 1; those without an exposed machine, in the period or before, are left
// out. `first_origin` >= 1. Absent, "too few to say", with no origin. Cost: origins · (machines · periods +
// one fit). Errors: InvalidArgument as ForecastPeriodAhead.
absl::StatusOr<std::optional<ForecastScores>> ScoreForecasts(const ForecastHistory& history,
                                                             std::size_t first_origin);

}  // namespace bayward
