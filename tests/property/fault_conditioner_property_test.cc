// Random signals against a plain list of what delays leave of them.
#include <algorithm>
#include <cstdint>
#include <vector>

#include "agent/conditioner/fault_conditioner.h"
#include "gtest/gtest.h"
#include "rapidcheck/gtest.h"

namespace bayward {
namespace {

struct Up {
  int from;
  int to;
};

struct Signal {
  std::vector<Up> ups;  // as the controller shows them, in whole seconds
  int on_delay = 0;
  int off_delay = 0;
  int end = 0;  // long after the last fall
};

Signal ArbitrarySignal() {
  Signal signal;
  signal.on_delay = *rc::gen::inRange(0, 15);
  signal.off_delay = *rc::gen::inRange(0, 15);
  const auto lengths = *rc::gen::container<std::vector<int>>(rc::gen::inRange(1, 70));
  int now = 0;
  for (std::size_t i = 0; i + 1 < lengths.size(); i += 2) {
    signal.ups.push_back({now + lengths[i], now + lengths[i] + lengths[i + 1]});
    now = signal.ups.back().to;
  }
  signal.end = now + 200;
  return signal;
}

// What the delays alone leave: each run of ups bridged by the off-delay, from the first that outlasts the
// on-delay on. `rises` counts the ups in it.
struct Spell {
  int from;
  int to;
  int rises;
};
std::vector<Spell> AfterDelays(const Signal& signal) {
  std::vector<Spell> spells;
  for (const Up& up : signal.ups) {
    if (!spells.empty() && up.from - spells.back().to < signal.off_delay) {
      spells.back().to = up.to;
      ++spells.back().rises;
    } else if (up.to - up.from >= signal.on_delay) {
      spells.push_back({up.from, up.to, 1});
    }
  }
  return spells;
}

// Looks at the signal once a second and collects the spells that are recorded.
std::vector<Spell> Recorded(const Signal& signal, v1::FaultClass fault_class) {
  FaultMapping mapping;
  mapping.fault_class = fault_class;
  mapping.on_delay = absl::Seconds(signal.on_delay);
  mapping.off_delay = absl::Seconds(signal.off_delay);
  FaultConditioner conditioner({mapping});
  std::vector<Spell> spells;
  bool open = false;
  for (int second = 0; second <= signal.end; ++second) {
    const bool up = std::any_of(signal.ups.begin(), signal.ups.end(),
                                [second](const Up& span) { return span.from <= second && second < span.to; });
    conditioner.Set(0, {up, "", ""}, absl::Seconds(second));
    for (const FaultChange& change : conditioner.Advance(absl::Seconds(second))) {
      RC_ASSERT(change.raised != open);  // raised and cleared alternate
      open = change.raised;
      const int at = static_cast<int>(absl::ToInt64Seconds(change.at));
      RC_ASSERT(at <= second);
      if (change.raised) {
        spells.push_back({at, -1, 1});
      } else {
        spells.back().to = at;
        spells.back().rises += static_cast<int>(change.further_raises);
      }
    }
  }
  RC_ASSERT(!open);
  return spells;
}

// Folding joins neighbours and does nothing else: every recorded spell is the hull of successive ones, none
// is left out.
RC_GTEST_PROP(FaultConditionerProperty, FoldingOnlyJoins, ()) {
  const Signal signal = ArbitrarySignal();
  const std::vector<Spell> expected = AfterDelays(signal);
  const std::vector<Spell> recorded = Recorded(signal, v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  std::size_t next = 0;
  for (const Spell& spell : recorded) {
    RC_ASSERT(next < expected.size());
    RC_ASSERT(spell.from == expected[next].from);
    int rises = 0;
    while (next < expected.size() && expected[next].to <= spell.to) {
      if (rises > 0)
        RC_ASSERT(expected[next].from - expected[next - 1].to < 60);  // a quiet minute is never bridged
      rises += expected[next++].rises;
    }
    RC_ASSERT(spell.to == expected[next - 1].to);
    RC_ASSERT(spell.rises == rises);
  }
  RC_ASSERT(next == expected.size());
}

// Whatever a signal does, no three spells but the last of them chattering begin within a minute.
RC_GTEST_PROP(FaultConditionerProperty, ChatterNeverFloods, ()) {
  const std::vector<Spell> recorded = Recorded(ArbitrarySignal(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  for (std::size_t i = 0; i + 3 < recorded.size(); ++i) {
    RC_ASSERT(recorded[i + 3].from - recorded[i].from > 60);
  }
}

RC_GTEST_PROP(FaultConditionerProperty, SafetyClassesComeThroughAsTheyAre, ()) {
  Signal signal = ArbitrarySignal();
  signal.on_delay = 0;
  signal.off_delay = 0;
  const std::vector<Spell> expected = AfterDelays(signal);
  const std::vector<Spell> recorded = Recorded(signal, v1::FAULT_CLASS_SAFETY_CIRCUIT_GUARD_OPEN);
  RC_ASSERT(recorded.size() == expected.size());
  for (std::size_t i = 0; i < expected.size(); ++i) {
    RC_ASSERT(recorded[i].from == expected[i].from);
    RC_ASSERT(recorded[i].to == expected[i].to);
    RC_ASSERT(recorded[i].rises == 1);
  }
}

}  // namespace
}  // namespace bayward
