// A machine's silence since its last sold wash out of what was watched of it: the hours that count, and what its
// demand is learned from. Pure: any thread may compute.
#pragma once

#include <span>
#include <vector>

#include "absl/time/time.h"
#include "server/figures/civil_hours.h"
#include "server/figures/demand_hours.h"
#include "server/figures/silent_stop.h"

namespace bayward {

// Seen up or degraded as `now`, the end of what was watched, comes, or no longer before than kSeenLateMax with
// nothing heard of it since.
bool UpAtEnd(const MachineWatch& watch, absl::Time now);

// Start of the last sold wash; InfinitePast where there is none.
absl::Time LastSoldStart(const MachineWatch& watch);

// The hours in which it was up since then, all that were watched where there was none. `hours`: of its site.
// `factors`: by day; a day that is not there has 1.
std::vector<SilentHour> SilentHoursOf(const MachineWatch& watch, const std::vector<CivilHour>& hours,
                                      const DayFactors& factors);

// What the machine's own demand may be learned from: `rows` up to the hour of its last sold wash, lest the silence
// explain itself. That leaves out the last pause of every machine: rates come out higher by about one wash in all
// that taught.
std::vector<DemandHour> RowsUntilLastSold(std::span<const DemandHour> rows, const MachineWatch& watch,
                                          const std::vector<CivilHour>& hours);

// Up hours a week in [from, now), from where it was first up on, at least a week.
double UpHoursPerWeek(const MachineWatch& watch, const Interval& window);

}  // namespace bayward
