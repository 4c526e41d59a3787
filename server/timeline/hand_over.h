// Puts together what two agents saw of one fault when a machine passed from one to the other. Pure.
#pragma once

#include "server/model/history.h"

namespace bayward {

// A spell that ended at a hand-over and one of the same class, effect and origin that the next agent's first
// snapshot shows become one, with the beginning of the first and the end of the other; the machine is down
// through the time between. While the next agent has not observed anything yet, the spell is open. What began
// unobserved in the first observed span after the hand-over, nothing having been raised before it, was in
// that first snapshot. A mode that the next agent shows as soon as it observes goes on as well; another
// reason takes over there. `history` holds all assignments, open rows included, sorted.
void JoinHandOvers(MachineHistory& history);

}  // namespace bayward
