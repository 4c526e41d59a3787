// What availability would have been without a fault class: the gain of removing it. Pure: any thread may compute.
#pragma once

#include <span>
#include <vector>

#include "server/figures/availability.h"
#include "server/model/interval.h"

namespace bayward {

// Required time over all machines, as it would have been. Only its durations are set: removing a class alone can only
// raise availability and service availability, while the number of failures need not fall, since a long spell may have
// bridged two others. Gains of several classes do not add up, and a past gain is no forecast.
struct Gain {
  FaultClassNumber fault_class = 0;
  // Without the class's spells, everything else as it was: a lower bound.
  TimeAccount alone;
  // Without the outages that it began, all their spells included, and without the closures and occupations that began
  // during its spells: what followed from it is taken to have followed for that reason alone.
  TimeAccount with_consequences;
};

// For each of `classes`, in that order. `windows`: one for each machine. Classes that no machine had give the account as
// it was. A machine's conditions are computed again for each class it had in its window: cost follows the spells.
std::vector<Gain> ComputeGains(std::span<const MachineTimeline* const> machines, std::span<const Interval> windows,
                               std::span<const FaultClassNumber> classes);

}  // namespace bayward
