#include "server/timeline/fold.h"

#include <algorithm>
#include <utility>

#include "server/timeline/fold_steps.h"

namespace bayward {
namespace {

using fold::Step;

// bayward.v1.LOSS_REASON_AGENT_STOPPED
constexpr std::uint8_t kAgentStopped = 1;
constexpr absl::Duration kSmallStep = absl::Minutes(1);

absl::Time Latest(const MachineState& state) { return std::max(state.span.from, state.last_at); }

// Sight of an observed machine is lost at `at`, but not before the last that is known of it nor after the
// event says so.
void LoseSight(absl::Time at, std::uint8_t reason, const Step& step) {
  MachineState& state = step.state;
  if (!state.observed) return;
  const absl::Time earliest = Latest(state);
  const absl::Time latest = std::max({earliest, step.event.effective_at, step.event.recorded_at});
  at = std::clamp(at, earliest, latest);
  state.observed = false;
  state.span.to = at;
  state.span.loss_reason = reason;
  fold::Touch(state.span.provenance, step.event);
  step.out.observed.push_back(state.span);
  // A second loss before any snapshot: what was open at the first has not been confirmed since.
  if (state.lost_at == absl::InfinitePast()) state.lost_at = at;
}

// An epoch's first event about a machine still observed under the epoch before: the agent was restarted
// unannounced.
void NoticeNewEpoch(absl::Time observed_until, const Step& step) {
  MachineState& state = step.state;
  const bool new_epoch = state.last.epoch && state.last.epoch != step.event.ref.epoch;
  if (!new_epoch || !state.observed) return;
  const auto* lost = std::get_if<ObservationLostFact>(&step.event.what);
  if (lost != nullptr && lost->from != absl::InfinitePast()) return;
  LoseSight(observed_until, kAgentStopped, step);
  state.snapshot_due = true;
}

void Apply(const ObservationStartedFact&, const Step& step) {
  step.state.snapshot_due = true;
  if (!step.state.observed) fold::OpenSight(step);
}

void Apply(const ObservationLostFact& lost, const Step& step) { LoseSight(lost.from, lost.reason, step); }

void Apply(const FaultRaisedFact& raised, const Step& step) {
  const absl::Time at = step.event.effective_at;
  auto open = fold::FindSpell(step.state, raised.fault.fault_class);
  if (open == step.state.spells.end()) {
    fold::OpenSpell(raised.fault, at, /*unobserved=*/false, step);
  } else if (open->effect == raised.fault.effect) {
    ++open->further_raises;
    fold::Touch(open->provenance, step.event);
  } else {
    const absl::Time changed = std::max(at, open->raised_at);
    fold::CloseSpell(open, changed, SpellEnd::kEffectChanged, step);
    fold::OpenSpell(raised.fault, changed, /*unobserved=*/false, step);
  }
}

void Apply(const FaultClearedFact& cleared, const Step& step) {
  auto open = fold::FindSpell(step.state, cleared.fault_class);
  if (open == step.state.spells.end()) return;
  open->further_raises += cleared.further_raises;
  fold::CloseSpell(open, step.event.effective_at, SpellEnd::kCleared, step);
}

void Apply(const CycleStartedFact& start, const Step& step) {
  auto& open = step.state.cycles;
  if (fold::FindCycle(step.state, start.cycle) != open.end()) return;
  if (open.size() >= kOpenCyclesMax) fold::AbandonCycle(open.begin(), step.event.effective_at, step);
  open.push_back({start, step.event.effective_at, step.event.rehearsal, fold::Since(step.event)});
}

void Apply(const CycleFinishedFact& finished, const Step& step) {
  Cycle cycle = finished.cycle;
  cycle.finished_at = step.event.effective_at;
  cycle.rehearsal = step.event.rehearsal;
  cycle.provenance = fold::Since(step.event);
  auto open = fold::FindCycle(step.state, cycle.cycle);
  if (open != step.state.cycles.end()) {
    cycle.started_at = open->started_at;
    if (cycle.programme.empty()) cycle.programme = open->start.programme;
    if (cycle.sold_as == 0) cycle.sold_as = open->start.sold_as;
    if (cycle.paid_by == 0) cycle.paid_by = open->start.paid_by;
    cycle.provenance = open->provenance;
    fold::Touch(cycle.provenance, step.event);
    step.state.cycles.erase(open);
  }
  cycle.started_at = std::min(cycle.started_at, cycle.finished_at);
  step.out.cycles.push_back(std::move(cycle));
}

void Apply(const ModeChangedFact& changed, const Step& step) {
  fold::ChangeMode(changed.mode, changed.reason, step.event.effective_at, step.event.effective_at, step);
}

void Apply(const SnapshotFact& snapshot, const Step& step) { fold::Reconcile(snapshot, step); }

void Apply(const ClockSteppedFact& stepped, const Step& step) {
  if (stepped.from - stepped.to <= kSmallStep) return;
  MachineState& state = step.state;
  const absl::Time now = stepped.to;
  step.out.voided.push_back({now, stepped.from});
  for (Spell& spell : state.spells) spell.raised_at = std::min(spell.raised_at, now);
  for (OpenCycle& cycle : state.cycles) {
    if (cycle.started_at > now) cycle.started_at = absl::InfinitePast();
  }
  state.mode.from = std::min(state.mode.from, now);
  state.mode_since = std::min(state.mode_since, now);
  state.span.from = std::min(state.span.from, now);
  if (!state.observed) state.span.to = std::min(state.span.to, now);
  state.lost_at = std::min(state.lost_at, now);
  state.down_until = std::min(state.down_until, now);
}

void Apply(const DataMissingFact& missing, const Step& step) {
  if (missing.stretch.empty()) return;
  step.out.voided.push_back(missing.stretch);
  if (step.state.observed && missing.stretch.end <= step.state.span.from) return;
  step.state.snapshot_due = true;
  LoseSight(missing.stretch.start, 0, step);
}

void Apply(const RejectedFact&, const Step& step) {
  step.state.snapshot_due = true;
  LoseSight(step.event.effective_at, 0, step);
}

}  // namespace

void Fold(const MachineEvent& event, absl::Time observed_until, MachineState& state, FoldOutput& out) {
  const Step step{event, state, out};
  NoticeNewEpoch(observed_until, step);
  std::visit([&step](const auto& fact) { Apply(fact, step); }, event.what);
  state.last = event.ref;
  state.last_at = event.effective_at;
  if (const auto* stepped = std::get_if<ClockSteppedFact>(&event.what)) {
    state.last_at = std::min(state.last_at, stepped->to);
  }
}

}  // namespace bayward
