#include <algorithm>
#include <optional>

#include "tests/property/naive_model.h"

namespace bayward::naive {
namespace {

// Walks through the minutes once, keeping in mind what rule 5 and rule 8 need of the past.
class Walker {
 public:
  Walker(const Script& script, const Grid& grid, Reading& reading)
      : script_(script), grid_(grid), reading_(reading) {}

  // What holds at `tick`, as if every minute were required.
  Minute Look(int tick) {
    Minute minute;
    const NaiveMode* lasting = LastingModeAt(tick);
    const NaiveMode* mode = lasting && lasting->HoldsAt(tick) ? lasting : nullptr;
    const bool closed = mode && mode->mode == Mode::kClosed;
    const bool occupied = mode && mode->mode == Mode::kOccupied;
    const bool observed = reading_.observed[static_cast<std::size_t>(tick)];
    bool blocked = false;
    bool external = false;
    bool degraded = false;
    for (const NaiveSpell& spell : reading_.spells) {
      if (!spell.ActiveAt(tick)) continue;
      if (spell.MakesDown()) blocked = true;
      if (spell.Blocks() && !spell.MakesDown()) external = true;
      if (spell.fault.effect == Effect::kDegrading) degraded = true;
    }

    // Rule 8 looks at the machine just before it was occupied.
    const NaiveMode* occupation = lasting && lasting->mode == Mode::kOccupied ? lasting : nullptr;
    if (occupation && !was_occupied_) occupied_down_ = was_down_;
    if (!occupation) occupied_down_ = false;
    // Rule 5: closed before the first spell of an unbroken chain, and ever since.
    if (blocked && !chain_) withheld_chain_ = closed && was_closed_;
    if (blocked && !closed) withheld_chain_ = false;
    chain_ = blocked;
    FollowOutage(tick);
    minute.held_outage = occupied_down_ ? outage_ : -1;
    if (minute.held_outage >= 0) minute.held_until = occupation->to;

    if (occupied ? occupied_down_ : blocked && !withheld_chain_) {
      minute.condition = Condition::kDown;
      minute.inferred = !observed;
    } else if (closed || occupied || external) {
      minute.condition = Condition::kWithheld;
      if (closed) minute.withheld_reason = mode->reason;
      if (occupied && !external) minute.withheld_reason = ModeReason::kUpkeep;
    } else if (!observed) {
      minute.condition = Condition::kUnknown;
      const bool to_come = script_.delivery_expected && grid_.TimeOf(tick) >= script_.observed_until;
      minute.unknown = to_come ? UnknownKind::kPending : UnknownKind::kLost;
      Settle(tick, minute);
    } else {
      minute.condition = degraded ? Condition::kDegraded : Condition::kUp;
    }
    minute.withheld_external = minute.condition == Condition::kWithheld && !minute.settled && external;
    if (minute.condition == Condition::kDown && !minute.settled) minute.outage = outage_;

    was_closed_ = closed;
    was_occupied_ = occupation;
    was_down_ = minute.condition == Condition::kDown && !minute.settled;
    return minute;
  }

 private:
  // Known to go on or not.
  const NaiveMode* LastingModeAt(int tick) const {
    const NaiveMode* latest = nullptr;
    for (const NaiveMode& mode : reading_.modes) {
      if (mode.from <= tick && tick < mode.to) latest = &mode;
    }
    return latest;
  }

  // Numbers the unions of rule 12.
  void FollowOutage(int tick) {
    bool lasting = false;
    for (const NaiveSpell& spell : reading_.spells) {
      if (spell.MakesDown() && spell.LastsAt(tick)) lasting = true;
    }
    if (lasting && outage_ < 0) outage_ = next_outage_++;
    if (!lasting && !occupied_down_) outage_ = -1;
    for (NaiveSpell& spell : reading_.spells) {
      if (lasting && spell.MakesDown() && spell.LastsAt(tick)) spell.outage = outage_;
    }
  }

  // Rule 9: of the decisions over this minute, the one recorded last.
  void Settle(int tick, Minute& minute) const {
    const Settlement* latest = nullptr;
    for (const Settlement& settlement : script_.settlements) {
      if (!settlement.interval.contains(grid_.TimeOf(tick))) continue;
      if (!latest || settlement.recorded_at >= latest->recorded_at) latest = &settlement;
    }
    if (!latest) return;
    minute.condition = latest->as;
    minute.unknown = UnknownKind::kNone;
    minute.settled = true;
  }

  const Script& script_;
  const Grid& grid_;
  Reading& reading_;
  bool chain_ = false;
  bool withheld_chain_ = false;
  bool was_closed_ = false;
  bool was_occupied_ = false;
  bool was_down_ = false;
  bool occupied_down_ = false;
  int outage_ = -1;
  int next_outage_ = 0;
};

// Rule 13.
bool RaisedBefore(const NaiveSpell& a, const NaiveSpell& b) {
  if (a.raised != b.raised) return a.raised < b.raised;
  const auto rank = [](const NaiveSpell& s) { return s.fault.priority == 0 ? 1u << 30 : s.fault.priority; };
  if (rank(a) != rank(b)) return rank(a) < rank(b);
  return a.raise_order < b.raise_order;
}

// The outage number `id`, if it has any down time.
std::optional<NaiveOutage> Collect(const Model& model, int id) {
  NaiveOutage outage;
  outage.id = id;
  outage.start = kNever;
  for (int tick = 0; tick < model.grid.ticks; ++tick) {
    const Minute& minute = model.minutes[static_cast<std::size_t>(tick)];
    if (!minute.required || minute.condition != Condition::kDown || minute.outage != id) continue;
    outage.start = std::min(outage.start, tick);
    ++outage.down;
  }
  if (outage.down == 0) return std::nullopt;
  std::vector<NaiveSpell> spells;
  for (const NaiveSpell& spell : model.reading.spells) {
    if (spell.outage == id) spells.push_back(spell);
  }
  std::sort(spells.begin(), spells.end(), RaisedBefore);
  const NaiveSpell& first = spells.front();
  outage.raised = first.raised;
  outage.fault_class = first.fault.fault_class;
  outage.origin = first.fault.origin;
  outage.began_unobserved = first.unobserved;
  outage.found_at_opening =
      first.raised >= 0 && !model.minutes[static_cast<std::size_t>(first.raised)].required;
  outage.end = 0;
  for (const NaiveSpell& spell : spells) outage.end = std::max(outage.end, spell.ended);
  const int last_cleared = outage.end;
  for (const Minute& minute : model.minutes) {
    if (minute.held_outage == id) outage.end = std::max(outage.end, minute.held_until);
  }
  outage.censored = outage.end == kNever;
  if (last_cleared < outage.end && outage.end < model.grid.ticks)
    outage.censored = !model.reading.observed[static_cast<std::size_t>(outage.end)];
  int shown_together = 0;
  for (const NaiveSpell& spell : spells) {
    if (spell.ended == outage.end && spell.censored) outage.censored = true;
    if (spell.raised == first.raised && spell.unobserved) ++shown_together;
    if (&spell != &first) outage.consequential.push_back(spell.fault.fault_class);
  }
  outage.order_observed = !first.unobserved || shown_together < 2;
  return outage;
}

bool Blocked(const Reading& reading, int tick) {
  return std::any_of(reading.spells.begin(), reading.spells.end(),
                     [tick](const NaiveSpell& spell) { return spell.Blocks() && spell.ActiveAt(tick); });
}

// Figures rule 1.
void JoinFailures(const Reading& reading, std::vector<NaiveOutage>& outages) {
  for (std::size_t i = 0; i < outages.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      if (outages[j].fault_class != outages[i].fault_class) continue;
      const bool washed =
          std::any_of(reading.cycles.begin(), reading.cycles.end(), [&](const NaiveCycle& cycle) {
            return cycle.outcome == CycleOutcome::kCompleted && outages[j].end <= cycle.finished &&
                   cycle.finished < outages[i].start && !Blocked(reading, cycle.finished);
          });
      if (!washed) outages[i].begins_failure = false;
    }
  }
}

}  // namespace

Model BuildModel(const Script& script, const Calendar& calendar, const Grid& grid) {
  Model model;
  model.grid = grid;
  model.delivery_expected = script.delivery_expected;
  model.reading = ReadScript(script, grid);
  const Opening opening = ReadCalendar(calendar, grid);
  Walker walker(script, grid, model.reading);
  int last_outage = -1;
  for (int tick = 0; tick < grid.ticks; ++tick) {
    Minute minute = walker.Look(tick);
    minute.required = opening.required[static_cast<std::size_t>(tick)];
    minute.excluded = opening.excluded[static_cast<std::size_t>(tick)];
    last_outage = std::max(last_outage, minute.outage);
    model.minutes.push_back(minute);
  }
  for (int id = 0; id <= last_outage; ++id) {
    if (auto outage = Collect(model, id)) model.outages.push_back(*std::move(outage));
  }
  JoinFailures(model.reading, model.outages);
  return model;
}

}  // namespace bayward::naive
