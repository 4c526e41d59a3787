// The one condition a machine has at each instant of required time (IEC 60050-192 states, see the design's
// table). Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/interval.h"
#include "server/timeline/fold.h"

namespace bayward {

enum class UnknownKind : std::uint8_t { kNone = 0, kPending = 1, kLost = 2 };

struct ConditionSpan {
  Interval interval;
  Condition condition = Condition::kUnknown;
  UnknownKind unknown = UnknownKind::kNone;
  Origin down_origin = Origin::kInternal;  // of the outage it belongs to (its first-out); kDown, not settled
  // kWithheld by people: why; kUpkeep where only a technician who occupies it withholds it.
  ModeReason withheld_reason = ModeReason::kNone;
  bool withheld_external = false;  // kWithheld, and external causes block
  bool inferred = false;  // down through an observation gap
  bool settled = false;  // by a person's decision
};

// Disjoint spans in ascending order that cover exactly `required` ∩ window, where the window is already cut
// at now. `count_rehearsal`: whether rehearsal material counts (a demonstration fleet). Hand-overs in
// `history` are already joined (hand_over.h). Rules 5 to 9 of the timeline, with these readings:
// - What a spell, a closure or an occupation covers it explains, watched or not; only the rest can be unknown.
//   One still open covers what was watched: whether it goes on afterwards the next snapshot tells.
// - "Before" is strict: a closure or an occupation that begins with a fault found no fault, and the fault found
//   no closure. A closure continues while the machine is closed, whatever the reason; an occupation breaks it.
// - An occupation keeps a machine down that was down at the instant before it, also after the last fault
//   cleared, until the technician leaves; any other it withholds. A fault still active when the technician
//   leaves has it down from then.
// - A closure's reason is the one people gave, whatever else blocks. An occupation states none: it is upkeep,
//   save while an external cause blocks, which rule 6 names before rule 8 looks at the technician. Without him
//   the machine could not have washed either, so that this time is no maintenance.
std::vector<ConditionSpan> ComputeConditions(const MachineHistory& history, const IntervalSet& required,
                                             bool count_rehearsal);

// The condition now, by the same rules, of what is open now; `required_now` false gives kNotRequired.
// `observed` says whether somebody watches the machine at this moment: if not, it is unknown.
struct NowCondition {
  Condition condition = Condition::kUnknown;
  // When what explains it began: the first fault, the mode, the loss of sight; InfinitePast: not known, as
  // for kUp.
  absl::Time since = absl::InfinitePast();
};
NowCondition ConditionNow(const MachineState& state, bool observed, bool required_now);

}  // namespace bayward
