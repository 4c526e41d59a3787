// What failures of a kind of machine are counted against, up hours or wash starts: whichever foretells months that
// were held back better. Pure: any thread may compute.
//
// Each month after the first is held back in turn and every machine's failures in it are foretold from the months
// before, under each exposure, by shrunk rates and the exposure that the month then had (outage_forecast.h, kShrunk).
// What is compared is the log score of those negative-binomial forecasts, summed over machines and months. A month of
// a machine counts where it was up and washed, so that both are scored on the same. Of more than 400 machines fewer
// months are held back, evenly spread and at least 4: the fits take long, and so many machines tell enough.
//
// In simulation, where 20 machines fail once a month each, a year finds what failures follow in at least 98 of 100
// fleets; 8 machines in half a year, some 38 failures, in 80 to 84.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "server/figures/availability.h"
#include "server/figures/cycle_counts.h"
#include "server/figures/failure_axis.h"
#include "server/model/interval.h"

namespace bayward {

// One machine in one calendar month.
struct ExposedMonth {
  int failures = 0;  // less repeats
  double up_hours = 0;
  double wash_starts = 0;
};

inline constexpr int kExposureMonthsMin = 3;     // with a machine that was up and washed
inline constexpr int kExposureFailuresMin = 10;  // in the months held back; fewer tell the two apart by chance only

struct ExposureChoice {
  FailureAxis unit = FailureAxis::kUpHours;
  // Absent where the two were not tried. Sums of −ln P over machines and held-back months, smaller is better.
  std::optional<double> score_up_hours;
  std::optional<double> score_wash_starts;
  int months = 0;      // held back
  int better_in = 0;   // of them: the months in which the chosen one did better
  int failures = 0;    // in them
  std::string reason;  // in words, for the reader of the comparison
};

// `machines`: months of each, oldest first, as many for all. `washes_seen`: share of the kind's washes that were
// seen, absent where it has none. Up hours where that is below kWashesSeenMin, months or failures are too few, and
// where both do alike. Errors: InvalidArgument for a negative or infinite number, or different numbers of months.
absl::StatusOr<ExposureChoice> ChooseExposure(std::span<const std::vector<ExposedMonth>> machines,
                                              std::optional<double> washes_seen);

// What was seen of the washes of one machine in a stretch of time, from when the machine was first observed.
struct WashesTold {
  int washes = 0;           // finished in it
  double told_hours = 0;    // up since the first wash on record
  double untold_hours = 0;  // unknown, or up before that wash: older ones are not kept, or the machine tells of none
};
WashesTold ReadWashes(const MachineTimeline& timeline, const Interval& interval);
// The same of a timeline without its cycles; the first wash's time to the second. `cycles` is exact at both ends of
// ToldWithin().
WashesTold ReadWashes(const MachineTimeline& timeline, const CycleCounts& cycles, const Interval& interval);
// The part of the interval in which a machine that was ever observed may have told of washes.
Interval ToldWithin(const MachineTimeline& timeline, const Interval& interval);

// The share of a kind's washes that were seen, those of untold hours taken to be as many an hour as the machine told
// of otherwise, of a machine that told of none as many as the others did. Absent where no machine told of any.
// Simpler than CountWashesSeen, which goes by the hour of the week of each machine: this is asked of all machines at
// each comparison.
std::optional<double> ShareOfWashesSeen(std::span<const WashesTold> machines);

}  // namespace bayward
