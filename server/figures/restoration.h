// How long outages last until the machine is restored: the restoration curve with the outages that are not
// over yet, and the same on the clock of required hours and on that of a contract's covered hours. Pure: any
// thread may compute.
//
// Three clocks. Elapsed: hours from the outage's first down instant to its end; curve, percentiles, mean time
// to restoration. Required: down time within required time, the mean over the outages restored in the window
// (MeanDownTime of availability.h). Covered: the elapsed stretch cut to the hours a contract covers, since a
// promise runs on those.
//
// The curve is Kaplan and Meier's over the outages begun in the window, followed up to now, also past the
// window's end. Those restored are events; the others are censored, at the first of: now; the last time it
// was seen to go on; sight lost of its end; a closure agreed beforehand (closing hours are none); retirement.
// Waiting for a part or for a technician censors nothing. One whose beginning was not seen is left out: its
// duration is not known, and to keep only those long enough to be found would favour the long ones.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/history.h"
#include "server/model/interval.h"
#include "server/statistics/survival.h"

namespace bayward {

struct RestorationOptions {
  std::optional<Origin> origin;  // only outages with this first-out origin; absent: all
  std::optional<FaultClassNumber> first_out;  // kOrderNotObserved: those whose first-out is not known
  absl::Duration horizon = absl::Hours(14 * 24);  // of the restricted means
  double confidence = 0.95;  // two-sided
  // When each machine was retired (StartOfDay of its calendar's retired_at), InfiniteFuture where it was not;
  // empty: none was.
  std::span<const absl::Time> retired_at;
  // The covered hours of each machine, or one set for all; empty: no covered clock.
  std::span<const IntervalSet> covered;
};

// Hours. Variance: at each time the larger of Greenwood's and the one clustered by machine; log-log limits.
struct RestorationClock {
  SurvivalCurve curve;
  SurvivalPercentile median;
  SurvivalPercentile within_90;  // by when 90 % are restored
  // To the horizon, or where that is less as far as the curve is known and the longest followed would have
  // been: its field `horizon` says how far.
  RestrictedMean mean;
  // Of the restored ones only. Too short while some are open, the long ones above all: print it second, with
  // `open`.
  std::optional<double> mean_of_restored;
};

struct Restoration {
  int begun = 0;  // in the window; the sum of the next six
  int restored = 0;
  int open = 0;  // still down, as last seen
  int lost_sight = 0;  // it ended while nobody watched
  int closed = 0;  // cut by an agreed closure
  int retired = 0;
  int beginning_not_seen = 0;  // left out of the curves, whatever became of them
  int machines = 0;  // with an outage in the curve
  RestorationClock elapsed;
  std::optional<RestorationClock> covered;
  // Required clock: mean down time per outage restored in the window, whenever it began.
  int restored_in_window = 0;
  std::optional<absl::Duration> mean_down_time;
};

// `now` is the end of the timelines' extent. Errors: InvalidArgument for a horizon not above 0 or infinite, a
// confidence not between 0 and 1, `retired_at` neither empty nor one per machine, `covered` neither empty,
// one, nor one per machine, windows not one per machine.
absl::StatusOr<Restoration> ComputeRestoration(std::span<const MachineTimeline* const> machines,
                                               const Interval& window, absl::Time now,
                                               const RestorationOptions& options = {});
// The same with each machine's own window (civil windows of sites in different zones).
absl::StatusOr<Restoration> ComputeRestoration(std::span<const MachineTimeline* const> machines,
                                               std::span<const Interval> windows, absl::Time now,
                                               const RestorationOptions& options = {});

}  // namespace bayward
