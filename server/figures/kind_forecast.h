// The forecast of outages bound to the timelines of the machines of one kind: what they had in past periods of 14
// days, what each was exposed to as it would have been foreseen then, the forecast of the next 14 days, and how such
// forecasts did. Pure: any thread may compute.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/figures/forecast_scores.h"
#include "server/figures/outage_forecast.h"

namespace bayward {

inline constexpr absl::Duration kForecastPeriod = absl::Hours(14 * 24);
inline constexpr std::size_t kForecastPeriodsMax = 26;
// The first period that is forecast has so many before it to learn from.
inline constexpr std::size_t kLearningPeriods = 4;
// A period in which a machine was up for less counts as one out of service: no rate comes of some minutes.
inline constexpr double kUpHoursMin = 1;
// A kind of which fewer were restored takes the restoration curve of all kinds together.
inline constexpr int kRestoredMin = 5;

// Timelines end at the same now.
struct ForecastMachine {
  const MachineTimeline* timeline = nullptr;
  IntervalSet planned;  // required time from now on; only the next period counts
  absl::Time retired_at = absl::InfiniteFuture();
  std::uint64_t seed = 0;  // its own, so that it is foreseen alike whoever else is asked about
};

struct KindForecast {
  std::vector<CountDistribution> machines;    // as given; empty: no machine of the kind was up long enough
  std::vector<std::vector<double>> foreseen;  // up hours, equally likely values
  std::optional<ForecastScores> scores;       // absent: too few periods
  std::size_t periods = 0;
  bool restorations_of_all_kinds = false;  // kRestoredMin were not restored
};

// Disjoint periods that end at `now`, as many as any machine was up in, kForecastPeriodsMax at most. Count: outages
// with internal first-out that began, observed, in the period and not at opening (those had no up hours to arise in);
// exposure: up hours. Foreseen at each origin by ForeseeUpHours from what had been seen by then: the shrunk rate, the
// kind's restoration curve, whether the machine was down, its required time, and the share up of its required time
// outside internal outages. Required time is as known now. `all`: machines of all kinds, these among them. Errors:
// those of ForecastPeriodAhead and ComputeRestoration.
absl::StatusOr<KindForecast> ForecastKind(std::span<const ForecastMachine> machines,
                                          std::span<const ForecastMachine> all, absl::Time now);

// In plain words, whether the forecasts beat each machine's own average and the plain average of all, by the log
// score.
const char* ScoreVerdict(const std::optional<ForecastScores>& scores);

}  // namespace bayward
