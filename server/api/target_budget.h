// Down time against the availability that was promised for a site. Pure: any thread may call.
#pragma once

#include <optional>

#include "absl/time/time.h"
#include "bayward/v1/figures.pb.h"
#include "server/figures/availability.h"
#include "server/model/fleet.h"
#include "server/model/interval.h"

namespace bayward {

// Required time under a target, over any number of machines.
struct TargetAccount {
  absl::Duration planned;  // in the whole window, as it is planned now
  absl::Duration allowed;  // down time that the targets allow in it: Σ (1 − target)·planned
  absl::Duration down;     // so far, of that time
  absl::Duration unknown;

  TargetAccount& operator+=(const TargetAccount& other);
};

// Of one machine: `whole` is the window with what is still to come of it, `extent` the timeline's. Time without a target
// does not count.
TargetAccount AccountAgainstTargets(const Site& site, const Machine& machine, const MachineTimeline& timeline,
                                    const Interval& extent, const Interval& whole, absl::Time now);

// Nothing where no target holds.
void SetTarget(const TargetAccount& account, v1::AvailabilityRow& row);

}  // namespace bayward
