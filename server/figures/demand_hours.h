// What the demand model learns from, out of machines' timelines: the hours in which all machines of a site stood
// ready, and the washes that customers started in them. Pure: any thread may compute.
//
// Ready: every machine of the site that must be able to wash at the instant is seen up or degraded. One that is not
// open then is not waited for; one that an agreed closure keeps shut is, since its customers may go next door. Shared
// plant has no demand of its own: where one that the site's machines depend on is down or withheld the site is not
// ready; where nobody knows, it is not waited for.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/figures/civil_hours.h"
#include "server/figures/demand.h"

namespace bayward {

// A wash that somebody asked for: a customer's, a member's, or one of which nobody said whose. No staff, no test.
bool IsSold(const Cycle& cycle);

// What demand needs of one machine's timeline, so that the timeline itself need not be kept.
struct MachineWatch {
  // Up or degraded as it was seen: time that people settled as up was not watched, nor were its washes.
  IntervalSet up;
  IntervalSet not_ready;  // the rest of required time, and closures agreed within opening hours
  IntervalSet stopped;  // down or withheld
  std::vector<absl::Time> starts;  // of sold washes, ascending; one whose start is not known is not there
  std::vector<Interval> washes;  // of any kind, by start; not those of which no end was seen
  int places = 1;  // washes that it has under way at once: more than one for a tunnel
};
MachineWatch WatchOf(const MachineTimeline& timeline, const Interval& window);

// Rows of each of a site's washing machines, in the order given. `plant`: what any of them depends on. `hours`:
// CivilHours of the site over the window that was watched. Utilisation is wash time over up hours · places.
std::vector<std::vector<DemandHour>> ComputeDemandHours(const std::vector<CivilHour>& hours,
                                                        std::span<const MachineWatch* const> washing,
                                                        std::span<const MachineWatch* const> plant);

// Washes under way at once, leaving out what makes less than a hundredth of the time in which any is; at least 1.
int PlacesOf(std::span<const Interval> washes);

}  // namespace bayward
