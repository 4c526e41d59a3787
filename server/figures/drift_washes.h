// A machine's washes and upkeep as the drift chart takes them, read from its timeline, and the chart run over them.
// Pure: any thread may compute.
#pragma once

#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/figures/cycle_drift.h"

namespace bayward {

struct DriftHistory {
  // By finished_at; programmes point into the timeline. Usable: completed, of known start, sold (neither staff's nor
  // a test; a wash of which nobody says how it was sold counts as sold), and all of it watched: a gap, a loss of
  // sight or a clock step within it leaves its duration open.
  std::vector<DriftWash> washes;
  std::vector<absl::Time> maintenance;  // ends of upkeep closures and of technicians' visits, ascending
  int usable = 0;
  double usable_per_week = 0;  // from the first usable one to the last, over at least a week
};

DriftHistory ReadDriftWashes(const MachineTimeline& timeline);

// The step in which durations are reported: the coarsest of 60, 30, 20, 10, 5, 2 and 1 s and so on down to 1 ms of
// which at least 95 % of the usable durations are multiples, to a twentieth of it either way, and that was seen: at
// least 5 % of the washes lie one step from the middle one of their programme. 1 s where none was seen or fewer than
// kCellWashesMin washes are usable; 0 where they are multiples of none.
absl::Duration EstimateDurationStep(std::span<const DriftWash> washes);

// The chart over the history, with the step estimated from it. Errors: InvalidArgument for a design out of range.
absl::StatusOr<CycleDrift> ComputeCycleDrift(const DriftHistory& history, const DriftDesign& design);

// The rate to design the chart of such a machine for: at least 1 a week, and rounded up to two digits, so that
// machines share designs and none signals more often than promised.
double DesignRate(double usable_per_week);

}  // namespace bayward
