// Puts the assignments of one machine end to end: what each agent recorded, and what of it the next one goes on with.
// Pure.
#pragma once

#include <vector>

#include "server/model/history.h"
#include "server/model/interval.h"

namespace bayward {

// What one assignment contributes to a machine's history.
struct AssignmentHistory {
  Interval assigned;        // what its agent recorded outside is not used
  MachineHistory recorded;  // open rows included, in any order; of the machine as a whole it says nothing
  EventRef first_snapshot;  // the first of this assignment; no epoch: none has come yet
};

// The history of `assignments`, which are in the order of time: each clipped, its lists sorted, observed_until the
// latest of them. A spell that an assignment's end cut off and one of the same class, effect and origin that the next
// agent's first snapshot shows become one, with the beginning of the first and the end of the other; the machine is
// down through the time between. A mode that this snapshot shows goes on as well; another reason takes over there. An
// agent that never showed a snapshot is passed over; until one has come, what was cut off is open.
MachineHistory PutEndToEnd(std::vector<AssignmentHistory> assignments);

}  // namespace bayward
