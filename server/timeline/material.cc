#include "server/timeline/material.h"

#include <algorithm>
#include <iterator>
#include <limits>
#include <tuple>

namespace bayward {
namespace {

// The stretch whose inside, borders not counted, `t` is in.
const Interval* StretchAround(const IntervalSet& voided, absl::Time t) {
  const auto& all = voided.intervals();
  const auto after = std::lower_bound(all.begin(), all.end(), t,
                                      [](const Interval& i, absl::Time x) { return i.start < x; });
  if (after == all.begin()) return nullptr;
  const Interval& last_begun = *std::prev(after);
  return t < last_begun.end ? &last_begun : nullptr;
}

auto FirstOutOrder(const SpellPiece& piece) {
  const Spell& spell = *piece.spell;
  const std::uint32_t priority =
      spell.priority == 0 ? std::numeric_limits<std::uint32_t>::max() : spell.priority;
  return std::tuple(piece.interval.start, priority, spell.provenance.first.epoch.value,
                    spell.provenance.first.sequence, spell.fault_class);
}

void TakeObserved(const MachineHistory& history, bool count_rehearsal, const IntervalSet& voided,
                  Material& material) {
  std::vector<Interval> observed;
  observed.reserve(history.observed.size());
  for (const ObservedSpan& span : history.observed) {
    if (span.rehearsal && !count_rehearsal) continue;
    const bool open = span.to == absl::InfiniteFuture();
    observed.push_back({span.from, open ? std::max(history.observed_until, span.from) : span.to});
    material.seen_until = std::max(material.seen_until, observed.back().end);
  }
  if (const Interval* around = StretchAround(voided, material.seen_until))
    material.seen_until = around->start;
  material.observed = IntervalSet(std::move(observed)).Minus(voided);
}

}  // namespace

Interval CutAtVoided(const Interval& interval, const IntervalSet& voided) {
  Interval cut = interval;
  if (const Interval* around = StretchAround(voided, interval.start)) cut.start = around->end;
  if (const Interval* around = StretchAround(voided, interval.end)) cut.end = around->start;
  return cut;
}

IntervalSet BlockedTime(const Material& material, Blocking which) {
  std::vector<Interval> blocked;
  for (const SpellPiece& piece : material.spells) {
    if (piece.spell->effect != Effect::kBlocking) continue;
    if (which == Blocking::kExternal && piece.keeps_down()) continue;
    blocked.push_back(piece.interval);
    if (piece.open()) blocked.back().end = material.seen_until;
  }
  return IntervalSet(std::move(blocked));
}

Material UsableMaterial(const MachineHistory& history, bool count_rehearsal) {
  const IntervalSet voided(history.voided);
  Material material;
  TakeObserved(history, count_rehearsal, voided, material);
  material.spells.reserve(history.spells.size());
  for (const Spell& spell : history.spells) {
    if (spell.rehearsal && !count_rehearsal) continue;
    const Interval cut = CutAtVoided(spell.interval(), voided);
    if (cut.empty()) continue;
    material.spells.push_back({cut, &spell, cut.start != spell.raised_at, cut.end != spell.cleared_at});
  }
  std::sort(material.spells.begin(), material.spells.end(),
            [](const SpellPiece& a, const SpellPiece& b) { return FirstOutOrder(a) < FirstOutOrder(b); });
  for (const ModeSpan& mode : history.modes) {
    if (mode.mode == Mode::kInService || (mode.rehearsal && !count_rehearsal)) continue;
    const Interval cut = CutAtVoided(mode.interval(), voided);
    if (!cut.empty()) material.modes.push_back({cut, &mode});
  }
  std::sort(material.modes.begin(), material.modes.end(),
            [](const ModePiece& a, const ModePiece& b) { return a.interval.start < b.interval.start; });
  return material;
}

}  // namespace bayward
