#include "server/timeline/fold_steps.h"

#include <algorithm>
#include <utility>

namespace bayward {
namespace fold {

Provenance Since(const MachineEvent& event) {
  return {event.ref, event.ref, event.received_at, event.received_at};
}

void Touch(Provenance& provenance, const MachineEvent& event) {
  provenance.last = event.ref;
  provenance.last_received_at = event.received_at;
}

SpellAt FindSpell(MachineState& state, FaultClassNumber fault_class) {
  return std::find_if(state.spells.begin(), state.spells.end(),
                      [&](const Spell& spell) { return spell.fault_class == fault_class; });
}

CycleAt FindCycle(MachineState& state, std::string_view cycle) {
  return std::find_if(state.cycles.begin(), state.cycles.end(),
                      [&](const OpenCycle& open) { return open.start.cycle == cycle; });
}

bool KeepsDown(const Spell& spell) {
  return spell.effect == Effect::kBlocking && spell.origin != Origin::kExternal;
}

int BlockingSpells(const MachineState& state) {
  return static_cast<int>(std::count_if(state.spells.begin(), state.spells.end(), KeepsDown));
}

void OpenSight(const Step& step) {
  MachineState& state = step.state;
  state.observed = true;
  state.span = {.from = std::max(step.event.effective_at, state.span.to),
                .to = absl::InfiniteFuture(),
                .rehearsal = step.event.rehearsal,
                .provenance = Since(step.event)};
}

void OpenSpell(const FaultFact& fault, absl::Time at, bool unobserved, const Step& step) {
  MachineState& state = step.state;
  const bool first_blocking = BlockingSpells(state) == 0;
  state.spells.push_back({.fault_class = fault.fault_class,
                          .effect = fault.effect,
                          .origin = fault.origin,
                          .priority = fault.priority,
                          .raised_at = at,
                          .began_unobserved = unobserved,
                          .rehearsal = step.event.rehearsal,
                          .raw_code = fault.raw_code,
                          .raw_text = fault.raw_text,
                          .provenance = Since(step.event)});
  if (!KeepsDown(state.spells.back())) return;
  if (state.mode.mode == Mode::kClosed) {
    // Only a closure that began before the first fault withholds the machine. This one came at the same
    // instant or later (a fault may be recorded with delay), or during a fault that ended at this very
    // instant.
    const bool goes_on = first_blocking && at <= state.down_until;
    if (at <= state.mode_since || goes_on) state.down_under_mode = true;
  } else if (state.mode.mode == Mode::kOccupied && at < state.mode_since) {
    state.down_under_mode = true;
  }
}

namespace {

// Whether a fault had the machine down at the instant before `at`, were it in service.
bool BlockedBefore(absl::Time at, const MachineState& state) {
  return at <= state.down_until ||
         std::any_of(state.spells.begin(), state.spells.end(),
                     [&](const Spell& spell) { return KeepsDown(spell) && spell.raised_at < at; });
}

// Whether a machine that is down under its mode is so still, after a fault ended. It may have ended before the mode
// began: a clear is recorded when its delay has run out.
bool StillDownUnder(const MachineState& state) {
  if (state.mode.mode == Mode::kOccupied) return BlockedBefore(state.mode_since, state);
  const absl::Time unbroken_to = std::max(state.mode_since, state.down_until);
  return std::any_of(state.spells.begin(), state.spells.end(), [&](const Spell& spell) {
    return KeepsDown(spell) && spell.raised_at <= unbroken_to;
  });
}

// Takes note of the end of a fault that kept the machine down.
void FollowEnd(const Spell& ended, MachineState& state) {
  const bool was_down = state.mode.mode == Mode::kInService || state.down_under_mode;
  const bool provoked = state.mode.mode == Mode::kOccupied && ended.raised_at >= state.mode_since;
  if (was_down && !provoked && ended.raised_at < ended.cleared_at) {
    state.down_until = std::max(state.down_until, ended.cleared_at);
  }
  if (state.down_under_mode) state.down_under_mode = StillDownUnder(state);
}

}  // namespace

void CloseSpell(SpellAt& spell, absl::Time at, SpellEnd end, const Step& step) {
  MachineState& state = step.state;
  Spell closed = std::move(*spell);
  spell = state.spells.erase(spell);
  closed.cleared_at = std::max(at, closed.raised_at);
  closed.end = end;
  Touch(closed.provenance, step.event);
  if (KeepsDown(closed)) FollowEnd(closed, state);
  step.out.spells.push_back(std::move(closed));
}

Cycle Abandoned(const OpenCycle& open, absl::Time at) {
  return {.cycle = open.start.cycle,
          .programme = open.start.programme,
          .started_at = open.started_at,
          .finished_at = std::max(at, open.started_at),
          .outcome = CycleOutcome::kAbandoned,
          .sold_as = open.start.sold_as,
          .paid_by = open.start.paid_by,
          .rehearsal = open.rehearsal,
          .provenance = open.provenance};
}

void AbandonCycle(CycleAt cycle, absl::Time at, const Step& step) {
  step.out.cycles.push_back(Abandoned(*cycle, at));
  Touch(step.out.cycles.back().provenance, step.event);
  step.state.cycles.erase(cycle);
}

namespace {

// Whether a machine whose mode changes to `next` at `at` is down under it, by what it was until then. `seen`:
// the mode before lasted until then; else it ended out of sight and the machine counted as in service since.
bool DownUnder(Mode next, absl::Time at, bool seen, const MachineState& before) {
  if (next == Mode::kInService) return false;
  if (seen && before.mode.mode == next) return before.down_under_mode;
  if (next == Mode::kClosed) return BlockingSpells(before) > 0;
  const bool withheld =
      seen && before.mode.mode == Mode::kClosed && !before.down_under_mode && at > before.down_until;
  return !withheld && BlockedBefore(at, before);
}

}  // namespace

void ChangeMode(Mode mode, ModeReason reason, absl::Time ended, absl::Time begins, const Step& step) {
  MachineState& state = step.state;
  ModeSpan& before = state.mode;
  if (before.mode == mode && before.reason == reason) {
    Touch(before.provenance, step.event);
    return;
  }
  state.down_under_mode = DownUnder(mode, begins, ended >= begins, state);
  before.to = std::max(ended, before.from);
  const absl::Time from = std::max(begins, before.to);
  if (before.mode != mode || before.to < from) state.mode_since = from;
  if (before.mode != Mode::kInService) {
    Touch(before.provenance, step.event);
    step.out.modes.push_back(before);
  }
  before = {.mode = mode,
            .reason = reason,
            .from = from,
            .rehearsal = step.event.rehearsal,
            .provenance = Since(step.event)};
}

}  // namespace fold
}  // namespace bayward
