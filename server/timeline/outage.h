// Outages: maximal unions of overlapping or abutting blocking spells that are not external, with some down
// time. Timeline rules 12 to 16; failures by figures rule 1. Pure: any thread may compute.
#pragma once

#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/interval.h"
#include "server/timeline/condition.h"

namespace bayward {

struct Outage {
  Interval interval;  // first down instant to the union's end; end = InfiniteFuture while open
  absl::Time raised_at;  // of the first-out spell, maybe outside required time
  const Spell* first_out = nullptr;  // points into the history it was computed from
  std::vector<const Spell*> consequential;  // the others, in the order raised
  bool began_unobserved = false;  // its first-out spell was first seen in a snapshot, or raised where voided
  bool restoration_censored = false;  // sight of it was lost before its end, or it is still open
  bool found_at_opening = false;  // raised outside required time
  bool order_observed = true;  // false: several spells of the union's start were first seen at once
  absl::Duration down;  // required down time of the whole outage
  // False: no completed cycle since the latest earlier outage with the same first-out class was restored. A
  // cycle completed while a blocking spell is active is no sign of that.
  bool begins_failure = true;
  // It began less than kRepeatWithin, elapsed, after the latest earlier outage with the same first-out class was
  // restored. Where that restoration is censored nobody can say: false.
  bool repeat = false;
};

// Timeline rule 16.
inline constexpr absl::Duration kRepeatWithin = absl::Hours(72);

// All outages of the material, in ascending order. `required` must cover the material's whole extent, not
// only the window asked about, so that an outage that began before the window keeps its own beginning and its
// whole down time. `conditions` are ComputeConditions of the same history over the same `required`. An
// occupation that keeps the machine down after the last fault cleared belongs to the outage and ends it. Down
// time settled by a person belongs to none.
std::vector<Outage> ComputeOutages(const MachineHistory& history, const IntervalSet& required,
                                   const std::vector<ConditionSpan>& conditions, bool count_rehearsal);

// The cycles of `history` that count: not those finished in a voided stretch, and rehearsal ones only if
// told. By finished_at.
std::vector<Cycle> UsableCycles(const MachineHistory& history, bool count_rehearsal);

}  // namespace bayward
