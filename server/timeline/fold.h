// Folds a machine's events, in the order its agent recorded them, into closed spells, modes, observed spans
// and cycles. What is still open is the MachineState; what has ended is appended to FoldOutput and never
// changes again. Folding the same events in batches of any size gives the same output. Pure; not thread-safe
// on one state.
#pragma once

#include <cstddef>
#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/machine_event.h"

namespace bayward {

struct OpenCycle {
  CycleStartedFact start;
  absl::Time started_at;  // InfinitePast: not known, a clock stepped back over it
  bool rehearsal = false;
  Provenance provenance = {};
};

// What is open at one machine under one assignment.
struct MachineState {
  bool observed = false;
  // Observed: the open span. Not observed: from its `to` on nothing is known (InfinitePast: never observed
  // before).
  ObservedSpan span{.from = absl::InfinitePast(), .to = absl::InfinitePast()};
  // Sight was lost there and no snapshot has told since what became of the open spells; InfinitePast: nothing
  // to tell.
  absl::Time lost_at = absl::InfinitePast();
  // Observation began, or an event was rejected or lost, and no snapshot has come since.
  bool snapshot_due = true;
  std::vector<Spell> spells;  // open, in the order raised; while not observed: open before the loss
  ModeSpan mode{.mode = Mode::kInService, .from = absl::InfinitePast()};
  absl::Time mode_since = absl::InfinitePast();  // when that mode began, for whatever reasons in turn
  // The present mode, closed or occupied, began on a machine that was down and keeps it down: a closure until
  // no blocking spell is active, an occupation until it ends.
  bool down_under_mode = false;
  absl::Time down_until = absl::InfinitePast();  // when the last fault that had it down ended
  std::vector<OpenCycle> cycles;  // at most kOpenCyclesMax, in the order started
  EventRef first_snapshot;  // of the assignment, which tells what of the one before goes on; no epoch: none yet
  EventRef last;  // last event folded
  absl::Time last_at = absl::InfinitePast();  // its effective_at
};

// A machine washes one car, a tunnel a few at a time. One more start abandons the oldest.
inline constexpr std::size_t kOpenCyclesMax = 64;

struct FoldOutput {
  std::vector<Spell> spells;  // also of no length: raised and cleared at one instant
  std::vector<ModeSpan> modes;
  std::vector<ObservedSpan> observed;  // also of no length: a snapshot may have confirmed what was open
  std::vector<Interval> voided;
  std::vector<Cycle> cycles;
};

// Folds one event. `observed_until` is up to where the machine's agent was known to be alive before this
// event; an event of a new epoch that finds the machine still observed loses sight of it there. If that event
// itself says since when nobody observed, its word holds: the agent knows better than the server until when
// it was alive.
//
// No event is refused; each has one meaning:
// - Start of observation while observed: nothing was lost; a snapshot is due.
// - Loss of observation: at its `from`, but not before the last event folded, which somebody must have seen. That
//   is also where sight was lost when the agent cannot tell since when.
// - Raise or clear out of sight, or between the start of observation and its snapshot: taken at its word, since
//   its signal was seen to move. Out of sight without a start of observation the machine stays unobserved.
// - Snapshot out of sight: observation begins with it. Of the spells open before the loss, those it shows with
//   the same effect go on and the others ended at the loss, unless the machine was occupied at the loss and is
//   so still: then they end at the snapshot. One raised out of sight and not shown ends where it was raised;
//   one raised since observation began ends at the snapshot. A class it shows first begins there, unobserved.
//   Without a loss all that it does not show ends there. Another mode ended the one before at the loss, another
//   reason at the snapshot.
// - Cycle not among a snapshot's open ones: abandoned at the loss. Started twice: the first start holds.
// - Clock stepped back over 60 s: the stretch is voided and what is open and began in it begins where it begins.
// - Data missing: the stretch is voided, and unless observation began after it, sight was lost at its start.
// - Rejected event: sight was lost there.
void Fold(const MachineEvent& event, absl::Time observed_until, MachineState& state, FoldOutput& out);

// Closes everything at `at`, when an assignment ends and another agent takes over: pass the earlier of the
// assignment's end and observed_until. Every open spell ends there, or at the loss where sight was lost before, in
// both cases as kHandedOver: a fault outlives the agent that saw it, so that one out of sight at the hand-over, too,
// is continued by the next assignment's first snapshot if that shows it (PutEndToEnd, on reading).
void EndAssignment(absl::Time at, MachineState& state, FoldOutput& out);

// `down_under_mode` of a state that was put together without its history (an agent's report of now): whether a
// blocking spell was raised before the present mode, or with a closure. Of a fault that has cleared since it
// cannot know.
bool DownUnderModeByTimes(const MachineState& state);

// The open state as rows, appended to `history` (spells with cleared_at = InfiniteFuture, and so on), whose
// lists are then sorted. A machine out of sight keeps its open spells open: whether they ended at the loss is
// not yet known.
void AppendOpen(const MachineState& state, MachineHistory& history);

}  // namespace bayward
