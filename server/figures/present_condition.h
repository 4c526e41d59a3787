// In which condition a machine is as its timeline ends. Pure: any thread may compute.
#pragma once

#include "absl/time/time.h"
#include "server/figures/availability.h"

namespace bayward {

// What was seen arrives some seconds later. A timeline that was seen to so little before now still tells the present.
inline constexpr absl::Duration kSeenLateMax = absl::Minutes(5);

// At `now`, the end of the timeline's extent; kNotRequired outside required time.
Condition PresentCondition(const MachineTimeline& timeline, absl::Time now);

}  // namespace bayward
