#include <algorithm>

#include "server/timeline/condition.h"

namespace bayward {
namespace {

// When the first open spell of its sort was raised; InfiniteFuture: none is open.
struct FirstRaised {
  absl::Time blocking = absl::InfiniteFuture();
  absl::Time external = absl::InfiniteFuture();
  absl::Time degrading = absl::InfiniteFuture();
};

FirstRaised FindFirstRaised(const MachineState& state) {
  FirstRaised first;
  for (const Spell& spell : state.spells) {
    if (spell.effect == Effect::kDegrading) {
      first.degrading = std::min(first.degrading, spell.raised_at);
    } else if (spell.effect == Effect::kBlocking) {
      absl::Time& of = spell.origin == Origin::kExternal ? first.external : first.blocking;
      of = std::min(of, spell.raised_at);
    }
  }
  return first;
}

}  // namespace

NowCondition ConditionNow(const MachineState& state, bool observed, bool required_now) {
  if (!required_now) return {Condition::kNotRequired, absl::InfinitePast()};
  if (!state.observed) return {Condition::kUnknown, state.span.to};
  if (!observed) return {Condition::kUnknown, absl::InfinitePast()};
  const FirstRaised first = FindFirstRaised(state);
  const bool blocked = first.blocking != absl::InfiniteFuture();
  const Mode mode = state.mode.mode;
  if (mode == Mode::kOccupied && state.down_under_mode) {
    return {Condition::kDown, std::min(first.blocking, state.mode.from)};
  }
  if (blocked && (mode == Mode::kInService || state.down_under_mode))
    return {Condition::kDown, first.blocking};
  if (mode != Mode::kInService) return {Condition::kWithheld, state.mode.from};
  if (first.external != absl::InfiniteFuture()) return {Condition::kWithheld, first.external};
  if (first.degrading != absl::InfiniteFuture()) return {Condition::kDegraded, first.degrading};
  return {Condition::kUp, absl::InfinitePast()};
}

}  // namespace bayward
