#include "server/timeline/hand_over.h"

#include <algorithm>
#include <cstddef>
#include <iterator>
#include <utility>

namespace bayward {
namespace {

// Cuts rows to [start, end] of `own` and drops those that lie outside. `on_cut` is called with each row that goes on
// beyond the end.
template <class Row, class OnCut>
void Clip(std::vector<Row>& rows, absl::Time Row::*from, absl::Time Row::*to, const Interval& own, OnCut on_cut) {
  std::erase_if(rows, [&](const Row& row) { return row.*to < own.start || row.*from > own.end; });
  for (Row& row : rows) {
    row.*from = std::max(row.*from, own.start);
    if (row.*to <= own.end) continue;
    row.*to = own.end;
    on_cut(row);
  }
}

void Clip(AssignmentHistory& assignment) {
  MachineHistory& recorded = assignment.recorded;
  const Interval& own = assignment.assigned;
  Clip(recorded.spells, &Spell::raised_at, &Spell::cleared_at, own,
       [](Spell& spell) { spell.end = SpellEnd::kHandedOver; });
  Clip(recorded.modes, &ModeSpan::from, &ModeSpan::to, own, [](ModeSpan& mode) { mode.handed_over = true; });
  // An agent that had gone before did not observe up to the end of its assignment.
  Clip(recorded.observed, &ObservedSpan::from, &ObservedSpan::to, own, [&](ObservedSpan& span) {
    span.to = std::clamp(recorded.observed_until, span.from, own.end);
  });
  Clip(recorded.voided, &Interval::start, &Interval::end, own, [](Interval&) {});
  std::erase_if(recorded.cycles, [&](const Cycle& cycle) { return !own.contains(cycle.finished_at); });
  recorded.observed_until = std::min(recorded.observed_until, own.end);
}

template <class Row>
void GoOnAs(const Row& after, Row& before) {
  before.provenance.last = after.provenance.last;
  before.provenance.last_received_at = after.provenance.last_received_at;
}

// The spell of `next` that `spell` goes on as; null where its first snapshot does not show it.
Spell* ShownFirst(const Spell& spell, AssignmentHistory& next) {
  auto shown = std::find_if(next.recorded.spells.begin(), next.recorded.spells.end(), [&](const Spell& found) {
    return found.began_unobserved && found.provenance.first == next.first_snapshot &&
           found.fault_class == spell.fault_class && found.effect == spell.effect && found.origin == spell.origin;
  });
  return shown == next.recorded.spells.end() ? nullptr : &*shown;
}

void JoinSpells(MachineHistory& before, AssignmentHistory& next) {
  std::erase_if(before.spells, [&](const Spell& spell) {
    if (spell.end != SpellEnd::kHandedOver) return false;
    Spell* found = ShownFirst(spell, next);
    if (found == nullptr) return false;
    Spell whole = spell;
    whole.cleared_at = found->cleared_at;
    whole.end = found->end;
    whole.further_raises += found->further_raises;
    GoOnAs(*found, whole);
    *found = std::move(whole);
    return true;
  });
}

void JoinModes(MachineHistory& before, AssignmentHistory& next) {
  const auto cut_off = std::find_if(before.modes.begin(), before.modes.end(),
                                    [](const ModeSpan& mode) { return mode.handed_over; });
  const auto shown = std::find_if(next.recorded.modes.begin(), next.recorded.modes.end(),
                                  [&](const ModeSpan& mode) { return mode.provenance.first == next.first_snapshot; });
  if (cut_off == before.modes.end() || shown == next.recorded.modes.end() || cut_off->mode != shown->mode) return;
  if (cut_off->reason != shown->reason) {
    cut_off->to = shown->from;
    return;
  }
  ModeSpan whole = *cut_off;
  whole.to = shown->to;
  whole.handed_over = shown->handed_over;
  GoOnAs(*shown, whole);
  *shown = std::move(whole);
  before.modes.erase(cut_off);
}

// What was cut off when nobody has shown a snapshot since: nothing says that it ended.
void StayOpen(MachineHistory& before, const std::vector<AssignmentHistory>& since) {
  for (Spell& spell : before.spells) {
    if (spell.end != SpellEnd::kHandedOver) continue;
    spell.cleared_at = absl::InfiniteFuture();
    spell.end = SpellEnd::kOpen;
  }
  const bool changed =
      std::any_of(since.begin(), since.end(), [](const auto& next) { return !next.recorded.modes.empty(); });
  if (changed) return;
  for (ModeSpan& mode : before.modes) {
    if (!mode.handed_over) continue;
    mode.to = absl::InfiniteFuture();
    mode.handed_over = false;
  }
}

template <class Row>
void Append(std::vector<Row>& from, std::vector<Row>& to) {
  to.insert(to.end(), std::make_move_iterator(from.begin()), std::make_move_iterator(from.end()));
}

template <class Row>
void SortBy(std::vector<Row>& rows, absl::Time Row::*key) {
  std::stable_sort(rows.begin(), rows.end(), [key](const Row& a, const Row& b) { return a.*key < b.*key; });
}

}  // namespace

MachineHistory PutEndToEnd(std::vector<AssignmentHistory> assignments) {
  for (AssignmentHistory& assignment : assignments) Clip(assignment);
  MachineHistory history;
  for (auto before = assignments.begin(); before != assignments.end(); ++before) {
    const auto next = std::find_if(std::next(before), assignments.end(),
                                   [](const AssignmentHistory& a) { return static_cast<bool>(a.first_snapshot.epoch); });
    if (next != assignments.end()) {
      JoinSpells(before->recorded, *next);
      JoinModes(before->recorded, *next);
    } else if (std::next(before) != assignments.end()) {
      StayOpen(before->recorded, {std::next(before), assignments.end()});
    }
    Append(before->recorded.spells, history.spells);
    Append(before->recorded.modes, history.modes);
    Append(before->recorded.observed, history.observed);
    Append(before->recorded.voided, history.voided);
    Append(before->recorded.cycles, history.cycles);
    history.observed_until = std::max(history.observed_until, before->recorded.observed_until);
  }
  SortBy(history.spells, &Spell::raised_at);
  SortBy(history.modes, &ModeSpan::from);
  SortBy(history.observed, &ObservedSpan::from);
  SortBy(history.voided, &Interval::start);
  SortBy(history.cycles, &Cycle::finished_at);
  return history;
}

}  // namespace bayward
