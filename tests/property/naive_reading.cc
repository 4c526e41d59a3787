#include <algorithm>
#include <variant>

#include "tests/property/naive_model.h"

namespace bayward::naive {
namespace {

constexpr int kAfterFaults = 63;  // the place of a snapshot's mode among what it shows

// Takes the events one by one, as an attentive clerk would, and keeps three lists.
class Clerk {
 public:
  Clerk(const Script& script, const Grid& grid) : script_(script), grid_(grid) {
    reading_.observed.assign(static_cast<std::size_t>(grid.ticks), false);
    reading_.voided.assign(static_cast<std::size_t>(grid.ticks), false);
  }

  Reading Read() {
    for (std::size_t i = 0; i < script_.events.size(); ++i) {
      HandOverBefore(i);
      index_ = static_cast<int>(i);
      const MachineEvent& event = script_.events[i].event;
      now_ = grid_.TickOf(event.effective_at);
      const bool says_when = std::holds_alternative<ObservationLostFact>(event.what);
      if (i > 0 && event.ref.epoch != script_.events[i - 1].event.ref.epoch && !says_when && !handed_over_)
        LoseSight(std::min(grid_.TickOf(script_.events[i].observed_until), now_));
      std::visit([this](const auto& fact) { Note(fact); }, event.what);
    }
    HandOverBefore(script_.events.size());
    Finish();
    return reading_;
  }

 private:
  int Order(int place = 0) const { return index_ * 64 + place; }

  NaiveSpell* Open(FaultClassNumber fault_class) {
    for (NaiveSpell& spell : reading_.spells) {
      if (spell.fault.fault_class == fault_class && spell.ended == kNever) return &spell;
    }
    return nullptr;
  }
  NaiveMode* OpenMode() {
    for (NaiveMode& mode : reading_.modes) {
      if (mode.to == kNever) return &mode;
    }
    return nullptr;
  }

  void Begin(const FaultFact& fault, bool unobserved, int place) {
    NaiveSpell spell;
    spell.fault = fault;
    spell.raised = now_;
    spell.raise_order = Order(place);
    spell.unobserved = unobserved;
    if (unobserved) spell.snapshot = index_;
    reading_.spells.push_back(spell);
  }
  void End(NaiveSpell& spell, int tick, bool censored) {
    spell.ended = tick;
    spell.end_order = Order();
    spell.known_until = kNever;
    spell.censored = censored;
  }
  void EndMode(NaiveMode& mode, int tick) {
    mode.to = tick;
    mode.known_until = kNever;
  }
  void BeginMode(Mode mode, ModeReason reason, int place) {
    if (mode == Mode::kInService) return;
    NaiveMode span;
    span.mode = mode;
    span.reason = reason;
    span.from = now_;
    span.order = Order(place);
    reading_.modes.push_back(span);
  }

  void Paint(std::vector<bool>& minutes, int from, int to) {
    for (int tick = std::max(from, 0); tick < std::min(to, grid_.ticks); ++tick)
      minutes[static_cast<std::size_t>(tick)] = true;
  }

  void LoseSight(int at) {
    if (!observing_) return;
    observing_ = false;
    snapshot_due_ = true;
    lost_at_ = at;
    Paint(reading_.observed, observing_since_, at);
    for (NaiveSpell& spell : reading_.spells) {
      if (spell.ended == kNever) spell.known_until = at;
    }
    if (NaiveMode* mode = OpenMode()) mode->known_until = at;
  }

  void HandOverBefore(std::size_t event) {
    for (const HandOver& hand_over : script_.hand_overs) {
      if (hand_over.event != event) continue;
      LoseSight(grid_.TickOf(hand_over.at));
      handed_over_ = true;
    }
  }

  void Note(const ObservationStartedFact&) {
    if (observing_) return;
    observing_ = true;
    snapshot_due_ = true;
    observing_since_ = now_;
  }
  void Note(const ObservationLostFact& fact) { LoseSight(std::min(grid_.TickOf(fact.from), now_)); }
  void Note(const RejectedFact&) { LoseSight(now_); }
  void Note(const DataMissingFact& fact) {
    const int from = grid_.TickOf(fact.stretch.start);
    Paint(reading_.voided, from, grid_.TickOf(fact.stretch.end));
    LoseSight(from);
  }
  void Note(const ClockSteppedFact& fact) {
    if (fact.from - fact.to <= absl::Seconds(60)) return;
    const int back_to = grid_.TickOf(fact.to);
    Paint(reading_.voided, back_to, grid_.TickOf(fact.from));
    for (NaiveSpell& spell : reading_.spells) {
      if (spell.ended == kNever) spell.raised = std::min(spell.raised, back_to);
    }
    if (NaiveMode* mode = OpenMode()) mode->from = std::min(mode->from, back_to);
    if (observing_) observing_since_ = std::min(observing_since_, back_to);
  }

  void Note(const FaultRaisedFact& fact) {
    NaiveSpell* open = Open(fact.fault.fault_class);
    if (open && open->fault.effect == fact.fault.effect) return;
    if (open) End(*open, now_, false);
    Begin(fact.fault, false, 0);
  }
  void Note(const FaultClearedFact& fact) {
    if (NaiveSpell* open = Open(fact.fault_class)) End(*open, now_, false);
  }
  void Note(const ModeChangedFact& fact) {
    NaiveMode* open = OpenMode();
    if (open && open->mode == fact.mode && open->reason == fact.reason) return;
    if (open) EndMode(*open, now_);
    BeginMode(fact.mode, fact.reason, 0);
  }

  void Note(const CycleStartedFact&) {}
  void Note(const CycleFinishedFact& fact) { reading_.cycles.push_back({now_, fact.cycle.outcome}); }

  void Note(const SnapshotFact& fact) {
    const NaiveMode* held = OpenMode();
    const bool attended =
        held && held->mode == Mode::kOccupied && fact.mode == Mode::kOccupied && !handed_over_;
    for (NaiveSpell& spell : reading_.spells) {
      if (spell.ended != kNever) continue;
      const bool shown = std::any_of(fact.faults.begin(), fact.faults.end(), [&](const FaultFact& f) {
        return f.fault_class == spell.fault.fault_class && f.effect == spell.fault.effect &&
               (!handed_over_ || f.origin == spell.fault.origin);
      });
      if (shown) {
        spell.known_until = kNever;
      } else if (snapshot_due_ && !attended) {
        End(spell, std::max(lost_at_, spell.raised), true);
      } else {
        End(spell, now_, false);
      }
    }
    for (std::size_t i = 0; i < fact.faults.size(); ++i) {
      if (!Open(fact.faults[i].fault_class)) Begin(fact.faults[i], true, static_cast<int>(i));
    }
    SeeMode(fact);
    if (!observing_) observing_since_ = now_;
    observing_ = true;
    snapshot_due_ = false;
    handed_over_ = false;
  }
  void SeeMode(const SnapshotFact& fact) {
    NaiveMode* open = OpenMode();
    if (open) {
      open->known_until = kNever;
      if (open->mode == fact.mode && open->reason == fact.reason) return;
      const bool holds_to_now = !snapshot_due_ || open->mode == fact.mode;
      EndMode(*open, holds_to_now ? now_ : lost_at_);
    }
    BeginMode(fact.mode, fact.reason, kAfterFaults);
  }

  void Finish() {
    const int until = grid_.TickOf(script_.observed_until);
    const bool in_doubt = OpenMode() || std::any_of(reading_.spells.begin(), reading_.spells.end(),
                                                    [](const NaiveSpell& s) { return s.ended == kNever; });
    if (observing_) Paint(reading_.observed, observing_since_, until);
    int known_until = snapshot_due_ ? std::min(lost_at_, until) : until;
    while (Inside(known_until)) --known_until;
    reading_.known_to = in_doubt ? known_until : until;
    for (NaiveSpell& spell : reading_.spells) {
      if (spell.ended == kNever) spell.known_until = known_until;
    }
    if (NaiveMode* mode = OpenMode()) mode->known_until = known_until;
    CutVoided();
  }

  // A border is inside voided time if the minutes on both sides of it are.
  bool Inside(int border) const { return Voided(border) && Voided(border - 1); }
  bool Voided(int tick) const {
    return 0 <= tick && tick < grid_.ticks && reading_.voided[static_cast<std::size_t>(tick)];
  }

  // Cuts [from, to) to what lies outside voided time, save where it spans all of a stretch.
  struct Cut {
    bool begins_later = false;
    bool ends_earlier = false;
  };
  Cut CutOne(int& from, int& to) const {
    Cut cut;
    while (Inside(from) || (cut.begins_later && Voided(from))) {
      ++from;
      cut.begins_later = true;
    }
    while (to != kNever && Inside(to)) {
      --to;
      cut.ends_earlier = true;
    }
    return cut;
  }
  void CutVoided() {
    for (int tick = 0; tick < grid_.ticks; ++tick) {
      if (Voided(tick)) reading_.observed[static_cast<std::size_t>(tick)] = false;
    }
    for (NaiveSpell& spell : reading_.spells) {
      const Cut cut = CutOne(spell.raised, spell.ended);
      if (cut.begins_later) {
        spell.unobserved = true;
        spell.snapshot = -1;
      }
      if (cut.ends_earlier) spell.censored = true;
    }
    for (NaiveMode& mode : reading_.modes) CutOne(mode.from, mode.to);
    std::erase_if(reading_.spells, [](const NaiveSpell& spell) { return spell.ended <= spell.raised; });
    std::erase_if(reading_.modes, [](const NaiveMode& mode) { return mode.to <= mode.from; });
    std::erase_if(reading_.cycles, [this](const NaiveCycle& cycle) { return Voided(cycle.finished); });
  }

  const Script& script_;
  const Grid& grid_;
  Reading reading_;
  int index_ = 0;
  int now_ = 0;
  bool observing_ = false;
  bool snapshot_due_ = true;
  bool handed_over_ = false;
  int observing_since_ = 0;
  int lost_at_ = -kNever;
};

}  // namespace

Reading ReadScript(const Script& script, const Grid& grid) { return Clerk(script, grid).Read(); }

}  // namespace bayward::naive
