// The one condition a machine has at each instant of required time (IEC 60050-192 states, see the design's table).
#pragma once

#include <optional>
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
  Origin down_origin = Origin::kInternal;       // of the outage it belongs to (its first-out); kDown only
  ModeReason withheld_reason = ModeReason::kNone;  // kWithheld by a closure
  bool withheld_external = false;                  // kWithheld by external causes
  bool inferred = false;                           // down through an observation gap
  bool settled = false;                            // by a person's decision
};

// Disjoint spans in ascending order that cover exactly `required` ∩ window, where the window is already cut at now.
// `count_rehearsal`: whether rehearsal material counts (a demonstration fleet).
std::vector<ConditionSpan> ComputeConditions(const MachineHistory& history, const IntervalSet& required,
                                             bool count_rehearsal);

// The condition now, of what is open now; `required_now` false gives kNotRequired. `observed` says whether somebody
// watches the machine at this moment.
struct NowCondition {
  Condition condition = Condition::kUnknown;
  absl::Time since = absl::InfinitePast();  // when what explains it began; InfinitePast: not known
};
NowCondition ConditionNow(const MachineState& state, bool observed, bool required_now);

}  // namespace bayward
