#include <algorithm>
#include <cstddef>

#include "server/timeline/fold_steps.h"

namespace bayward::fold {
namespace {

// Until when what began at a time was last known to go on, where a snapshot does not show it.
struct LastKnown {
  absl::Time now;  // the snapshot's
  bool lost;  // sight was lost before it, at lost_at until seen_from
  absl::Time lost_at;
  absl::Time seen_from;

  bool Unseen(absl::Time began) const { return lost && began < seen_from; }
  absl::Time operator()(absl::Time began) const { return Unseen(began) ? std::max(lost_at, began) : now; }
};

const FaultFact* Shown(const SnapshotFact& snapshot, FaultClassNumber fault_class) {
  const auto shown = std::find_if(snapshot.faults.begin(), snapshot.faults.end(),
                                  [&](const FaultFact& fault) { return fault.fault_class == fault_class; });
  return shown == snapshot.faults.end() ? nullptr : &*shown;
}

void ReconcileSpells(const SnapshotFact& snapshot, const LastKnown& known, const Step& step) {
  MachineState& state = step.state;
  // A technician recorded as on site over the whole gap vouches for what was open.
  const bool occupied_over =
      known.Unseen(state.mode.from) && state.mode.mode == Mode::kOccupied && snapshot.mode == Mode::kOccupied;
  for (auto spell = state.spells.begin(); spell != state.spells.end();) {
    const FaultFact* shown = Shown(snapshot, spell->fault_class);
    if (shown != nullptr && shown->effect == spell->effect) {
      Touch(spell->provenance, step.event);
      ++spell;
    } else if (known.Unseen(spell->raised_at) && !occupied_over) {
      CloseSpell(spell, known(spell->raised_at), SpellEnd::kLostSight, step);
    } else {
      CloseSpell(spell, known.now, shown != nullptr ? SpellEnd::kEffectChanged : SpellEnd::kCleared, step);
    }
  }
}

void ReconcileCycles(const SnapshotFact& snapshot, const LastKnown& known, const Step& step) {
  auto& open = step.state.cycles;
  for (std::size_t i = 0; i < open.size();) {
    const auto& listed = snapshot.open_cycles;
    if (std::find(listed.begin(), listed.end(), open[i].start.cycle) != listed.end()) {
      ++i;
    } else {
      AbandonCycle(open.begin() + static_cast<std::ptrdiff_t>(i), known(open[i].started_at), step);
    }
  }
}

}  // namespace

void Reconcile(const SnapshotFact& snapshot, const Step& step) {
  MachineState& state = step.state;
  if (!state.observed) OpenSight(step);
  const LastKnown known{.now = std::max(step.event.effective_at, state.span.from),
                        .lost = state.lost_at != absl::InfinitePast(),
                        .lost_at = state.lost_at,
                        .seen_from = state.span.from};
  ReconcileSpells(snapshot, known, step);
  // A machine closed before and after was closed between, if for another reason since.
  const absl::Time mode_ended = snapshot.mode == state.mode.mode ? known.now : known(state.mode.from);
  ChangeMode(snapshot.mode, snapshot.reason, mode_ended, known.now, step);
  for (const FaultFact& fault : snapshot.faults) {
    if (FindSpell(state, fault.fault_class) == state.spells.end()) {
      OpenSpell(fault, known.now, /*unobserved=*/true, step);
    }
  }
  ReconcileCycles(snapshot, known, step);
  state.lost_at = absl::InfinitePast();
  state.snapshot_due = false;
  if (!state.first_snapshot.epoch) state.first_snapshot = step.event.ref;
}

}  // namespace bayward::fold
