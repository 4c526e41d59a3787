// Required time by asking the zone for the civil time of every minute, the slow way that cannot go wrong.
// Written from the sentences of the timeline's rules 10 and 11 alone; values only, any thread.
//
// Where the sentences leave a case open, this is what they are read as:
// - "Opens at its first and closes at its second occurrence" is said of hours. A closure is an interval of
//   its own: it begins at the first occurrence of its start and ends at the second of its end.
// - Hours belong to the date they open on: its validity row and its holiday decide, also for the part past
//   midnight.
// - In service and retirement cut at the first instant of their local date, whichever date's hours hold
//   there.
// - A closure recorded at its very start is announced.
// - A civil time is read in the zone of its own date. A zone row takes over at the first instant whose date
//   in the new zone is its own; if the old zone has then not come so far, the rest of its day does not
//   exist, and if it is already in the next day, that part of it is nobody's civil time.
#pragma once

#include <vector>

#include "absl/time/time.h"
#include "server/model/calendar.h"

namespace bayward::naive {

// A stretch of time cut into whole minutes, [start, start + ticks).
struct Grid {
  absl::Time start;
  int ticks = 0;

  absl::Time TimeOf(int tick) const { return start + absl::Minutes(tick); }
  // The tick that begins at `t`, which is on a whole minute; may lie outside the grid. The infinities are
  // kNever and its negative.
  int TickOf(absl::Time t) const;
};
inline constexpr int kNever = 1'000'000'000;

// One entry per tick.
struct Opening {
  std::vector<bool> required;
  std::vector<bool> excluded;
};
Opening ReadCalendar(const Calendar& calendar, const Grid& grid);

}  // namespace bayward::naive
