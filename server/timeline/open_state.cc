#include <algorithm>
#include <utility>

#include "server/timeline/fold.h"
#include "server/timeline/fold_steps.h"

namespace bayward {

void EndAssignment(absl::Time at, MachineState& state, FoldOutput& out) {
  const absl::Time known_since = state.span.from;
  const auto end_of = [&](absl::Time began) {
    const bool unseen = state.lost_at != absl::InfinitePast() && (!state.observed || began < known_since);
    return std::max(unseen ? std::min(at, state.lost_at) : at, began);
  };
  for (Spell& spell : state.spells) {
    spell.cleared_at = end_of(spell.raised_at);
    spell.end = SpellEnd::kHandedOver;
    out.spells.push_back(std::move(spell));
  }
  if (state.mode.mode != Mode::kInService) {
    state.mode.to = end_of(state.mode.from);
    state.mode.handed_over = true;
    out.modes.push_back(state.mode);
  }
  for (const OpenCycle& cycle : state.cycles) {
    out.cycles.push_back(fold::Abandoned(cycle, end_of(cycle.started_at)));
  }
  if (state.observed) {
    state.span.to = std::max(at, state.span.from);
    out.observed.push_back(state.span);
  }
  const absl::Time until = state.span.to;
  const EventRef first_snapshot = state.first_snapshot;
  const EventRef last = state.last;
  const absl::Time last_at = state.last_at;
  state = {};
  state.span = {.from = absl::InfinitePast(), .to = until};
  state.first_snapshot = first_snapshot;
  state.last = last;
  state.last_at = last_at;
}

bool DownUnderModeByTimes(const MachineState& state) {
  if (state.mode.mode == Mode::kInService) return false;
  const absl::Time since = state.mode.from;
  const bool closed = state.mode.mode == Mode::kClosed;
  return std::any_of(state.spells.begin(), state.spells.end(), [&](const Spell& spell) {
    return fold::KeepsDown(spell) && (spell.raised_at < since || (closed && spell.raised_at == since));
  });
}

void AppendOpen(const MachineState& state, MachineHistory& history) {
  history.spells.insert(history.spells.end(), state.spells.begin(), state.spells.end());
  if (state.mode.mode != Mode::kInService) history.modes.push_back(state.mode);
  if (state.observed) history.observed.push_back(state.span);
  std::stable_sort(history.spells.begin(), history.spells.end(),
                   [](const Spell& a, const Spell& b) { return a.raised_at < b.raised_at; });
  const auto by_from = [](const auto& a, const auto& b) { return a.from < b.from; };
  std::stable_sort(history.modes.begin(), history.modes.end(), by_from);
  std::stable_sort(history.observed.begin(), history.observed.end(), by_from);
}

}  // namespace bayward
