// When machines were down and withheld in a window, which fault each part belongs to, and the stretches over which a
// site's net loss is counted. Pure: any thread may compute.
#pragma once

#include <map>
#include <optional>
#include <span>

#include "server/figures/availability.h"
#include "server/model/interval.h"

namespace bayward {

struct LostTime {
  IntervalSet down;  // settled as down included
  IntervalSet withheld;
  // `down` by the first-out class of the outage, with the stand-ins of ranking.h for outages whose order of faults
  // was not observed and for time that people settled as down; disjoint, and their union is `down`.
  std::map<FaultClassNumber, IntervalSet> down_by_class;
};
LostTime LostTimeOf(const MachineTimeline& timeline, const Interval& window);

// When the starts of a site tell of its losses in a window: while any of its machines is down or withheld in it, and
// for kAftermathHours after. What follows the window is part of it, for customers who come back then, but only until
// the next loss and until `now`. `stopped`: of each machine, down or withheld at any time.
IntervalSet NetTime(std::span<const IntervalSet> stopped, const Interval& window, absl::Time now);

struct StoppedNow {
  Condition condition = Condition::kDown;  // or kWithheld
  absl::Time since;  // when the outage, or what withholds the machine, began in required time
};
// Of a timeline that ends at `now`. Absent where the machine is neither or need not wash now. What is only awaited,
// at most kNowAwaited long, counts as what was seen before it: agents report every so often.
std::optional<StoppedNow> StoppedAtEnd(const MachineTimeline& timeline, absl::Time now);
inline constexpr absl::Duration kNowAwaited = absl::Minutes(15);

}  // namespace bayward
