// Outages: maximal unions of overlapping or abutting blocking spells that are not external, with some down time.
// Timeline rules 12 to 16; failures by figures rule 1.
#pragma once

#include <cstddef>
#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/interval.h"
#include "server/timeline/condition.h"

namespace bayward {

struct Outage {
  Interval interval;   // first down instant to the union's end; end = InfiniteFuture while open
  absl::Time raised_at;  // of the first-out spell, maybe outside required time
  const Spell* first_out = nullptr;          // points into the history it was computed from
  std::vector<const Spell*> consequential;   // the others, in the order raised
  bool began_unobserved = false;   // its first-out spell was first seen in a snapshot
  bool restoration_censored = false;  // sight of it was lost before its end, or it is still open
  bool found_at_opening = false;   // raised outside required time
  bool order_observed = true;      // false: several spells of the union's start came from one snapshot
  absl::Duration down;             // required down time of the whole outage
  bool begins_failure = true;      // false: same first-out as the outage before with no completed cycle between
};

// All outages of the material, in ascending order. `required` must cover the material's whole extent, not only the
// window asked about, so that an outage that began before the window keeps its own beginning and its whole down time.
// `conditions` are ComputeConditions of the same history over the same `required`.
std::vector<Outage> ComputeOutages(const MachineHistory& history, const IntervalSet& required,
                                   const std::vector<ConditionSpan>& conditions, bool count_rehearsal);

}  // namespace bayward
