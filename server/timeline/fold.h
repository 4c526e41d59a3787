// Folds a machine's events, in the order its agent recorded them, into closed spells, modes, observed spans and cycles.
// What is still open is the MachineState; what has ended is appended to FoldOutput and never changes again. Folding the
// same events in batches of any size gives the same output. Pure; not thread-safe on one state.
#pragma once

#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/machine_event.h"

namespace bayward {

struct OpenCycle {
  CycleStartedFact start;
  absl::Time started_at;
  bool rehearsal = false;
  Provenance provenance;
};

// What is open at one machine under one assignment.
struct MachineState {
  bool observed = false;
  // Observed: the open span. Not observed: from its `to` on nothing is known (InfinitePast: never observed before).
  ObservedSpan span{.from = absl::InfinitePast(), .to = absl::InfinitePast()};
  bool snapshot_due = true;  // observation began, or an event was rejected, and no snapshot has come since
  std::vector<Spell> spells;  // open, in the order raised; while not observed: open before the loss
  ModeSpan mode{.mode = Mode::kInService, .from = absl::InfinitePast()};
  std::vector<OpenCycle> cycles;
  EventRef last;            // last event folded
  absl::Time last_at = absl::InfinitePast();  // its effective_at
};

struct FoldOutput {
  std::vector<Spell> spells;
  std::vector<ModeSpan> modes;
  std::vector<ObservedSpan> observed;
  std::vector<Interval> voided;
  std::vector<Cycle> cycles;
};

// Folds one event. `observed_until` is up to where the machine's agent was known to be alive before this event; an event
// of a new epoch that finds the machine still observed loses sight of it there.
void Fold(const MachineEvent& event, absl::Time observed_until, MachineState& state, FoldOutput& out);

// Closes everything at `at`, when an assignment ends and another agent takes over. The new assignment's first snapshot
// continues the spells it shows: their ends are kHandedOver and its starts abut, which the timeline joins on reading.
void EndAssignment(absl::Time at, MachineState& state, FoldOutput& out);

// The open state as rows, appended to `history` (spells with cleared_at = InfiniteFuture, and so on). A machine out of
// sight keeps its open spells open: whether they ended at the loss is not yet known.
void AppendOpen(const MachineState& state, MachineHistory& history);

}  // namespace bayward
