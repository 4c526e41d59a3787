// What availability would have been without a fault class: the gain of removing it. Pure: any thread may compute.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
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

// What to multiply each class's past gain by for the next period of like length (figures rule 8): its outage rate drawn
// towards those of the other classes (gamma-Poisson, EstimateRates of outage_forecast.h), over the rate seen. Of many
// classes the one that ranks first was in part unlucky. `outages`: begun in the window, by class; `up` > 0: up time that
// they had. Absent where a class had none. Errors: InvalidArgument for a negative count or `up` not above 0.
absl::StatusOr<std::vector<std::optional<double>>> NextPeriodFactors(std::span<const int> outages, absl::Duration up);

}  // namespace bayward
