#include "server/timeline/hand_over.h"

#include <algorithm>
#include <cstddef>
#include <iterator>
#include <utility>
#include <vector>

namespace bayward {
namespace {

bool SameFault(const Spell& a, const Spell& b) {
  return a.fault_class == b.fault_class && a.effect == b.effect && a.origin == b.origin;
}

// The observed span after a hand-over at `t` in which something that began at `began` may have been first
// seen. What an agent observed at one instant only matters there: the agent before may have left such a span
// at the hand-over.
auto ObservedAfter(const MachineHistory& history, absl::Time t, absl::Time began) {
  auto span = std::lower_bound(history.observed.begin(), history.observed.end(), t,
                               [](const ObservedSpan& s, absl::Time x) { return s.from < x; });
  while (span != history.observed.end() && span->interval().empty() && span->from != began) ++span;
  return span;
}

bool Contains(const ObservedSpan& span, absl::Time t) {
  return span.from == t || span.interval().contains(t);
}

// Whether the next agent has not begun to observe yet.
bool NotSeenSince(const MachineHistory& history, absl::Time t) {
  return std::none_of(history.observed.rbegin(), history.observed.rend(), [&](const ObservedSpan& span) {
    return span.from > t || (span.from == t && !span.interval().empty());
  });
}

// What the first snapshot after `since` shows: a run of spells that rose together, [first, last) in `spells`;
// empty where it shows nothing.
std::pair<std::size_t, std::size_t> FirstSnapshot(const MachineHistory& history, absl::Time since) {
  const auto& spells = history.spells;
  const auto from = std::lower_bound(spells.begin(), spells.end(), since,
                                     [](const Spell& spell, absl::Time t) { return spell.raised_at < t; });
  // What the agent before raised at the very end, or out of sight, has no length and is no sign of the next one.
  const auto first = std::find_if(from, spells.end(), [&](const Spell& spell) {
    const bool handed_over = spell.end == SpellEnd::kHandedOver;
    const bool fleeting = spell.interval().empty() && !spell.began_unobserved;
    return !(handed_over && spell.cleared_at <= since) && !(fleeting && (handed_over || spell.raised_at == since));
  });
  if (first == spells.end()) return {0, 0};
  const auto observed = ObservedAfter(history, since, first->raised_at);
  if (observed == history.observed.end() || !Contains(*observed, first->raised_at)) return {0, 0};
  const auto last = std::find_if(first, spells.end(),
                                 [&](const Spell& spell) { return spell.raised_at != first->raised_at; });
  // What was raised at the same instant may stand before what the snapshot showed.
  if (std::none_of(first, last, [](const Spell& spell) { return spell.began_unobserved; })) return {0, 0};
  return {static_cast<std::size_t>(first - spells.begin()), static_cast<std::size_t>(last - spells.begin())};
}

// A snapshot follows a start of observation at once.
constexpr absl::Duration kAtOnce = absl::Minutes(1);

// Whether a mode that ended at `ended` was out of sight from then until observation showed the one that began
// at `began`.
bool UnseenBetween(const MachineHistory& history, absl::Time ended, absl::Time began) {
  const auto next = ObservedAfter(history, ended, began);
  if (next == history.observed.end() || began < next->from || began > next->from + kAtOnce) return false;
  return next == history.observed.begin() || std::prev(next)->to <= ended;
}

void JoinModes(MachineHistory& history) {
  std::vector<ModeSpan> joined;
  joined.reserve(history.modes.size());
  for (ModeSpan& next : history.modes) {
    const bool goes_on = !joined.empty() && joined.back().handed_over && joined.back().mode == next.mode &&
                         UnseenBetween(history, joined.back().to, next.from);
    if (goes_on && joined.back().reason == next.reason) {
      joined.back().to = next.to;
      joined.back().handed_over = next.handed_over;
      joined.back().provenance.last = next.provenance.last;
      joined.back().provenance.last_received_at = next.provenance.last_received_at;
      continue;
    }
    if (goes_on) joined.back().to = next.from;
    joined.push_back(std::move(next));
  }
  history.modes = std::move(joined);
}

void GoOnAs(const Spell& after, Spell& before) {
  before.cleared_at = after.cleared_at;
  before.end = after.end;
  before.further_raises += after.further_raises;
  before.provenance.last = after.provenance.last;
  before.provenance.last_received_at = after.provenance.last_received_at;
}

constexpr std::size_t kStaysOpen = static_cast<std::size_t>(-1);

// For each spell that was handed over, latest first, the one it goes on as; kStaysOpen where nobody has looked since.
std::vector<std::pair<std::size_t, std::size_t>> FindJoins(const MachineHistory& history) {
  const auto& spells = history.spells;
  std::vector<std::pair<std::size_t, std::size_t>> joins;
  std::vector<bool> taken(spells.size(), false);
  for (std::size_t i = spells.size(); i-- > 0;) {
    const Spell& before = spells[i];
    if (before.end != SpellEnd::kHandedOver) continue;
    if (NotSeenSince(history, before.cleared_at)) {
      joins.emplace_back(i, kStaysOpen);
      continue;
    }
    const auto [first, last] = FirstSnapshot(history, before.cleared_at);
    for (std::size_t j = first; j < last; ++j) {
      if (j == i || taken[j] || !spells[j].began_unobserved || !SameFault(before, spells[j])) continue;
      taken[j] = true;
      joins.emplace_back(i, j);
      break;
    }
  }
  return joins;
}

void JoinSpells(MachineHistory& history) {
  auto& spells = history.spells;
  // All are found before any is made: a spell that goes on would hide from others what the next agent showed.
  const auto joins = FindJoins(history);
  std::vector<bool> gone(spells.size(), false);
  for (const auto& [i, j] : joins) {
    if (j == kStaysOpen) {
      spells[i].cleared_at = absl::InfiniteFuture();
      spells[i].end = SpellEnd::kOpen;
    } else {
      // What a hand-over continues may itself have been handed over: the latest come first.
      GoOnAs(spells[j], spells[i]);
      gone[j] = true;
    }
  }
  std::size_t i = 0;
  std::erase_if(spells, [&](const Spell&) { return gone[i++]; });
}

}  // namespace

void JoinHandOvers(MachineHistory& history) {
  JoinModes(history);
  JoinSpells(history);
}

}  // namespace bayward
