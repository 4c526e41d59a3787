// Machines of one kind compared with each other, as rows of an answer: against up hours or wash starts, with a list
// of the worse ones that may go on from an earlier list. Pure: any thread may call.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "bayward/v1/figures.pb.h"
#include "server/figures/availability.h"
#include "server/figures/comparison.h"
#include "server/figures/cycle_counts.h"
#include "server/figures/exposure_choice.h"
#include "server/model/fleet.h"

namespace bayward {

inline constexpr int kExposureMonths = 12;

// The last `kExposureMonths` whole calendar months that end no later than `end`, in the calendar's zone, oldest
// first.
std::vector<Interval> WholeMonthsBefore(const Calendar& calendar, absl::Time end);

// One machine, taken down to what the comparison needs of it.
struct MachineToCompare {
  v1::ComparedMachineRow row;  // without what depends on the exposure
  double wash_starts = 0;      // in the window
  int found_at_opening = 0;    // failures of the window left out of the rate: nobody knows under what exposure
  std::vector<ExposedMonth> months;
  WashesTold washes;  // over months and window
  bool listed_before = false;
};

// Where in time TakeDown() counts cycles.
std::vector<absl::Time> CountedAt(const Machine& machine, const MachineTimeline& timeline, const Interval& window);

// `timeline` covers the window, and of WholeMonthsBefore its end all that there is of the machine; it may be without
// its cycles. `cycles` is exact at CountedAt().
MachineToCompare TakeDown(const Machine& machine, const MachineTimeline& timeline, const CycleCounts& cycles,
                          const Interval& window);

// The highest rate first; machines without exposure have no rate and stand at the end. Errors: those of
// ChooseExposure, CompareMachines and ListWorse.
absl::StatusOr<v1::ComparedKind> CompareKind(const std::string& name, std::vector<MachineToCompare> machines,
                                             const ComparisonOptions& options);

}  // namespace bayward
