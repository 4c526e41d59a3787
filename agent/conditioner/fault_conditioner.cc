#include "agent/conditioner/fault_conditioner.h"

#include <algorithm>
#include <limits>
#include <tuple>
#include <utility>

#include "proto/common/fault_traits.h"

namespace bayward {
namespace {

v1::Effect EffectOf(const FaultMapping& mapping) {
  if (mapping.effect != v1::EFFECT_UNSPECIFIED) return mapping.effect;
  const FaultClassInfo* info = FindFaultClass(mapping.fault_class);
  return info != nullptr ? info->traits.default_effect() : v1::EFFECT_BLOCKING;
}

// 1 first, undeclared last.
std::uint32_t RankOf(const FaultMapping& mapping) {
  return mapping.priority != 0 ? mapping.priority : std::numeric_limits<std::uint32_t>::max();
}

}  // namespace

FaultConditioner::FaultConditioner(std::vector<FaultMapping> mappings)
    : mappings_(std::move(mappings)), signals_(mappings_.size()) {
  for (std::size_t i = 0; i < mappings_.size(); ++i) {
    Class& state = classes_[mappings_[i].fault_class];
    state.signals.push_back(i);
    const FaultClassInfo* info = FindFaultClass(mappings_[i].fault_class);
    state.safety = info != nullptr && info->traits.safety();
  }
}

void FaultConditioner::Set(std::size_t mapping, const FaultReading& reading, absl::Duration now) {
  Settle(mapping, now);
  Signal& signal = signals_[mapping];
  Class& state = classes_[mappings_[mapping].fault_class];
  const bool other_code = reading.up && signal.reading.up && reading.raw_code != signal.reading.raw_code;
  const bool was_up = signal.reading.up;
  signal.reading.up = reading.up;
  if (reading.up) {
    signal.reading.raw_code = reading.raw_code;
    signal.reading.raw_text = reading.raw_text;
  }
  if (other_code && signal.certain && state.open && state.shown == mapping) {
    Emit(true, state, now);
  }
  if (reading.up == was_up) return;
  if (!reading.up) {
    signal.fell_at = now;
  } else if (signal.certain) {
    ++state.further;  // back within its off-delay
  } else {
    signal.rose_at = now;
  }
  Settle(mapping, now);
}

void FaultConditioner::Settle(std::size_t index, absl::Duration now) {
  Signal& signal = signals_[index];
  const FaultMapping& mapping = mappings_[index];
  Class& state = classes_[mapping.fault_class];
  if (signal.reading.up && !signal.certain && now - signal.rose_at >= mapping.on_delay) {
    signal.certain = true;
    Rise(state, index, signal.rose_at);
  } else if (!signal.reading.up && signal.certain && now - signal.fell_at >= mapping.off_delay) {
    signal.certain = false;
    Fall(state, signal.fell_at);
  }
}

void FaultConditioner::Rise(Class& state, std::size_t index, absl::Duration at) {
  if (state.up) {
    ShowGravest(state, at);
    return;
  }
  EndChatter(state, at);
  at = std::max(
      at, state.last_fall);  // another signal's delay may have run longer: spells of a class never overlap
  state.up = true;
  state.last_rise = at;
  state.rises.push_back(at);
  if (state.rises.size() > kChatterRises) state.rises.pop_front();
  if (state.open) {
    ++state.further;
    ShowGravest(state, at);
    return;
  }
  state.chatter =
      !state.safety && state.rises.size() == kChatterRises && at - state.rises.front() <= kChatterWindow;
  state.open = true;
  state.further = 0;
  state.shown = index;
  state.since = at;
  Emit(true, state, at);
}

void FaultConditioner::Fall(Class& state, absl::Duration at) {
  const bool any = std::any_of(state.signals.begin(), state.signals.end(),
                               [this](std::size_t index) { return signals_[index].certain; });
  if (any) {
    ShowGravest(state, at);
    return;
  }
  for (std::size_t index : state.signals) at = std::max(at, signals_[index].fell_at);
  state.up = false;
  state.last_fall = at;
  if (!state.chatter || at - state.last_rise >= kChatterWindow) Close(state, at);
}

// The same class with another effect is another spell; with the same it is the same, whichever signal shows
// it.
void FaultConditioner::ShowGravest(Class& state, absl::Duration at) {
  const std::size_t gravest = Gravest(state);
  const bool same = EffectOf(mappings_[gravest]) == EffectOf(mappings_[state.shown]);
  if (same && signals_[state.shown].certain) return;
  state.shown = gravest;
  if (same) return;
  state.since = std::max(at, state.since);
  state.further = 0;
  Emit(true, state, state.since);
}

void FaultConditioner::EndChatter(Class& state, absl::Duration now) {
  if (!state.open || !state.chatter || state.up || now - state.last_fall < kChatterWindow) return;
  Close(state, state.last_fall);
}

void FaultConditioner::Close(Class& state, absl::Duration at) {
  Emit(false, state, at);
  state.open = false;
  state.chatter = false;
  state.further = 0;
}

void FaultConditioner::Emit(bool raised, const Class& state, absl::Duration at) {
  FaultChange change;
  change.raised = raised;
  change.mapping = state.shown;
  change.at = at;
  if (raised) {
    change.raw_code = signals_[state.shown].reading.raw_code;
    change.raw_text = signals_[state.shown].reading.raw_text;
  } else {
    change.further_raises = state.further;
  }
  changes_.push_back(std::move(change));
}

std::size_t FaultConditioner::Gravest(const Class& state) const {
  std::size_t gravest = state.shown;
  bool found = false;
  for (std::size_t index : state.signals) {
    if (!signals_[index].certain) continue;
    if (!found || EffectOf(mappings_[index]) < EffectOf(mappings_[gravest])) gravest = index;
    found = true;
  }
  return gravest;
}

bool FaultConditioner::Before(const FaultChange& a, const FaultChange& b) const {
  const auto key = [this](const FaultChange& change) {
    return std::make_tuple(change.at, !change.raised, RankOf(mappings_[change.mapping]), change.mapping);
  };
  return key(a) < key(b);
}

std::vector<FaultChange> FaultConditioner::Advance(absl::Duration now) {
  for (std::size_t i = 0; i < signals_.size(); ++i) Settle(i, now);
  for (auto& [number, state] : classes_) EndChatter(state, now);
  std::vector<FaultChange> changes;
  changes.swap(changes_);
  std::stable_sort(changes.begin(), changes.end(),
                   [this](const FaultChange& a, const FaultChange& b) { return Before(a, b); });
  return changes;
}

void FaultConditioner::Resume(const std::vector<FaultReading>& readings, absl::Duration now) {
  for (std::size_t i = 0; i < signals_.size() && i < readings.size(); ++i) {
    Signal& signal = signals_[i];
    const bool kept = readings[i].up && signal.certain;
    signal.reading = readings[i];
    if (!kept) signal.rose_at = now;
    signal.certain = readings[i].up && (kept || mappings_[i].on_delay <= absl::ZeroDuration());
  }
  for (auto& [number, state] : classes_) {
    const bool was_up = state.open;
    state.up = std::any_of(state.signals.begin(), state.signals.end(),
                           [this](std::size_t index) { return signals_[index].certain; });
    state.open = state.up;
    state.chatter = false;
    state.further = 0;
    state.rises.clear();
    state.last_rise = now;
    if (!state.up) continue;
    const std::size_t gravest = Gravest(state);
    if (!was_up || EffectOf(mappings_[gravest]) != EffectOf(mappings_[state.shown])) state.since = now;
    state.shown = gravest;
  }
  changes_.clear();
}

std::vector<HeldFault> FaultConditioner::Active() const {
  std::vector<HeldFault> held;
  for (const auto& [number, state] : classes_) {
    if (!state.open) continue;
    const FaultReading& reading = signals_[state.shown].reading;
    held.push_back({state.shown, reading.raw_code, reading.raw_text, state.since});
  }
  std::sort(held.begin(), held.end(), [this](const HeldFault& a, const HeldFault& b) {
    return std::make_tuple(a.since, RankOf(mappings_[a.mapping]), a.mapping) <
           std::make_tuple(b.since, RankOf(mappings_[b.mapping]), b.mapping);
  });
  return held;
}

const FaultMapping* FaultConditioner::FirstBlocking() const {
  for (const HeldFault& held : Active()) {
    if (EffectOf(mappings_[held.mapping]) == v1::EFFECT_BLOCKING) return &mappings_[held.mapping];
  }
  return nullptr;
}

std::vector<FaultReading> FaultConditioner::Readings() const {
  std::vector<FaultReading> readings;
  for (const Signal& signal : signals_) readings.push_back(signal.reading);
  return readings;
}

}  // namespace bayward
