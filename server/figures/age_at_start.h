// How old a machine was when a window began, on the axis of its failures, for laws of wear that count from
// commissioning. Pure: any thread may compute.
#pragma once

#include <optional>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/figures/failure_axis.h"
#include "server/model/interval.h"

namespace bayward {

struct AgeAtStart {
  double age = 0;         // up hours or wash starts since commissioning
  double seen_share = 1;  // of the time since then; the rest is taken at the machine's pace in the window
};

// Commissioned within the window or at its start: 0. Before it: what was seen since, and for the elapsed time in
// which nobody watched (on the axis of wash starts also before the first wash on record) as much per hour as in the
// watched part of the window. Absent where nothing of the window was watched.
std::optional<AgeAtStart> FindAgeAtStart(const MachineTimeline& timeline, const Interval& window, FailureAxis axis,
                                         absl::Time commissioned_at);

}  // namespace bayward
