// The moves from which folding is put together: opening and closing what a machine's state holds. Private to
// the timeline; not thread-safe on one state.
#pragma once

#include <string_view>
#include <vector>

#include "server/timeline/fold.h"

namespace bayward::fold {

struct Step {
  const MachineEvent& event;
  MachineState& state;
  FoldOutput& out;
};

using SpellAt = std::vector<Spell>::iterator;
using CycleAt = std::vector<OpenCycle>::iterator;

// What is learned from this event on.
Provenance Since(const MachineEvent& event);
// The event is the last so far that told of it.
void Touch(Provenance& provenance, const MachineEvent& event);

SpellAt FindSpell(MachineState& state, FaultClassNumber fault_class);
CycleAt FindCycle(MachineState& state, std::string_view cycle);

// Whether a fault of this sort keeps a machine down: external ones withhold it.
bool KeepsDown(const Spell& spell);
// How many of the open spells do.
int BlockingSpells(const MachineState& state);

// Observation begins at the event, not before the end of the span before.
void OpenSight(const Step& step);

void OpenSpell(const FaultFact& fault, absl::Time at, bool unobserved, const Step& step);
// Ends a spell at `at`, not before it was raised, and moves it out; the iterator is the next one's
// afterwards.
void CloseSpell(SpellAt& spell, absl::Time at, SpellEnd end, const Step& step);

// A cycle whose end nobody saw, given up at `at`, not before it started.
Cycle Abandoned(const OpenCycle& open, absl::Time at);
// Abandons an open cycle at `at`, not before it started.
void AbandonCycle(CycleAt cycle, absl::Time at, const Step& step);

// From the mode that ended at `ended` to the one that begins at `begins`; ended < begins where nobody saw the
// change. No effect where mode and reason are already those.
void ChangeMode(Mode mode, ModeReason reason, absl::Time ended, absl::Time begins, const Step& step);

// What a snapshot says against what was believed.
void Reconcile(const SnapshotFact& snapshot, const Step& step);

}  // namespace bayward::fold
