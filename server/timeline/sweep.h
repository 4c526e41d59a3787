// One pass over a machine's material in absolute time that gives every instant its condition and finds the
// runs of blocking faults from which outages are cut. Required time plays no part here. Pure; private to the
// timeline.
#pragma once

#include <cstddef>
#include <vector>

#include "server/model/interval.h"
#include "server/timeline/condition.h"
#include "server/timeline/material.h"

namespace bayward {

// A maximal union of overlapping or abutting blocking spells that are not external, with the time an
// occupation begun in it keeps the machine down after them. A spell that begins as this occupation ends abuts.
struct BlockingRun {
  Interval interval;  // end = InfiniteFuture while something in it is open
  std::vector<const SpellPiece*> members;  // in first-out order: the first began it
  bool end_seen = false;  // somebody saw what ended it
};

struct Sweep {
  std::vector<ConditionSpan> spans;  // from InfinitePast to InfiniteFuture, without hole or overlap
  std::vector<BlockingRun> runs;  // ascending, disjoint
};

// Runs point into `material`. Time not observed from `observed_until` on is pending if `delivery_expected`,
// else lost.
Sweep SweepMaterial(const Material& material, absl::Time observed_until, bool delivery_expected);

}  // namespace bayward
