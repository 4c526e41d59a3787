#include "tests/support/timeline_text.h"

#include <algorithm>
#include <utility>

namespace bayward::testing {
namespace {

std::string Minute(absl::Time t) {
  if (t == absl::InfiniteFuture()) return "open";
  if (t == absl::InfinitePast()) return "?";
  const absl::Duration since = t - At(0);
  const auto minutes = absl::ToInt64Minutes(since);
  if (since == absl::Minutes(minutes)) return std::to_string(minutes);
  return absl::FormatTime(t, absl::UTCTimeZone());
}

std::string Range(absl::Time from, absl::Time to) { return Minute(from) + "-" + Minute(to); }

const char* Name(FaultClassNumber fault_class) {
  constexpr const char* kNames[] = {"?", "jam", "leak", "arm", "mains", "stop", "worn"};
  return fault_class >= 0 && fault_class <= kWorn ? kNames[fault_class] : "?";
}

const char* Name(ModeReason reason) {
  switch (reason) {
    case ModeReason::kNone:
      return "";
    case ModeReason::kFrost:
      return "frost";
    case ModeReason::kWaterRestriction:
      return "restriction";
    case ModeReason::kQuietHours:
      return "quiet";
    case ModeReason::kUpkeep:
      return "upkeep";
    case ModeReason::kOther:
      return "other";
  }
  return "?";
}

const char* Name(SpellEnd end) {
  switch (end) {
    case SpellEnd::kOpen:
      return "";
    case SpellEnd::kCleared:
      return " cleared";
    case SpellEnd::kEffectChanged:
      return " changed";
    case SpellEnd::kLostSight:
      return " lost";
    case SpellEnd::kHandedOver:
      return " handed";
  }
  return "?";
}

const char* Name(Origin origin) {
  switch (origin) {
    case Origin::kInternal:
      return "";
    case Origin::kExternal:
      return " external";
    case Origin::kUser:
      return " user";
    case Origin::kPeople:
      return " people";
  }
  return "?";
}

const char* Name(Condition condition) {
  switch (condition) {
    case Condition::kUp:
      return "up";
    case Condition::kDegraded:
      return "degraded";
    case Condition::kDown:
      return "down";
    case Condition::kWithheld:
      return "withheld";
    case Condition::kUnknown:
      return "unknown";
    case Condition::kNotRequired:
      return "not required";
  }
  return "?";
}

const char* Name(CycleOutcome outcome) {
  switch (outcome) {
    case CycleOutcome::kCompleted:
      return "completed";
    case CycleOutcome::kAborted:
      return "aborted";
    case CycleOutcome::kAbandoned:
      return "abandoned";
  }
  return "?";
}

template <class Rows, class One>
std::string Join(const Rows& rows, One one) {
  std::string text;
  for (const auto& row : rows) {
    if (!text.empty()) text += "; ";
    text += one(row);
  }
  return text;
}

Origin OriginOf(FaultClassNumber fault_class) {
  switch (fault_class) {
    case kMains:
      return Origin::kExternal;
    case kStop:
      return Origin::kPeople;
    case kArm:
      return Origin::kUser;
    default:
      return Origin::kInternal;
  }
}

Effect EffectOf(FaultClassNumber fault_class) {
  return fault_class == kWorn ? Effect::kDegrading : Effect::kBlocking;
}

}  // namespace

absl::Time At(int minute) {
  if (minute == kOpen) return absl::InfiniteFuture();
  if (minute == kNever) return absl::InfinitePast();
  return absl::FromUnixSeconds(1'780'272'000) + absl::Minutes(minute);
}

Interval Span(int from, int to) { return {At(from), At(to)}; }

FaultFact Fault(FaultClassNumber fault_class, Effect effect) {
  return {.fault_class = fault_class,
          .effect = effect,
          .origin = OriginOf(fault_class),
          .priority = 0,
          .raw_code = "c" + std::to_string(fault_class),
          .raw_text = ""};
}

std::string Text(const std::vector<Spell>& spells) {
  return Join(spells, [](const Spell& spell) {
    std::string text = std::string(Name(spell.fault_class)) + " " + Range(spell.raised_at, spell.cleared_at);
    text += Name(spell.end);
    if (spell.began_unobserved) text += " found";
    if (spell.further_raises > 0) text += " +" + std::to_string(spell.further_raises);
    if (spell.rehearsal) text += " rehearsal";
    return text;
  });
}

std::string Text(const std::vector<ModeSpan>& modes) {
  return Join(modes, [](const ModeSpan& mode) {
    std::string text = mode.mode == Mode::kClosed ? "closed" : "occupied";
    if (mode.reason != ModeReason::kNone) text += std::string("/") + Name(mode.reason);
    return text + " " + Range(mode.from, mode.to);
  });
}

std::string Text(const std::vector<ObservedSpan>& spans) {
  return Join(spans, [](const ObservedSpan& span) { return Range(span.from, span.to); });
}

std::string Text(const std::vector<Interval>& intervals) {
  return Join(intervals, [](const Interval& i) { return Range(i.start, i.end); });
}

std::string Text(const std::vector<Cycle>& cycles) {
  return Join(cycles, [](const Cycle& cycle) {
    return cycle.cycle + " " + Range(cycle.started_at, cycle.finished_at) + " " + Name(cycle.outcome);
  });
}

std::string Text(const std::vector<ConditionSpan>& spans) {
  return Join(spans, [](const ConditionSpan& span) {
    std::string text = Range(span.interval.start, span.interval.end) + " " + Name(span.condition);
    if (span.condition == Condition::kDown) text += Name(span.down_origin);
    if (span.withheld_reason != ModeReason::kNone) text += std::string(" ") + Name(span.withheld_reason);
    if (span.withheld_external) text += " external";
    if (span.unknown == UnknownKind::kPending) text += " pending";
    if (span.unknown == UnknownKind::kLost) text += " lost";
    if (span.inferred) text += " inferred";
    if (span.settled) text += " settled";
    return text;
  });
}

std::string Text(const std::vector<Outage>& outages) {
  return Join(outages, [](const Outage& outage) {
    std::string text =
        Range(outage.interval.start, outage.interval.end) + " " + Name(outage.first_out->fault_class);
    for (const Spell* spell : outage.consequential) text += std::string(" +") + Name(spell->fault_class);
    if (outage.began_unobserved) text += " unobserved";
    if (outage.restoration_censored) text += " censored";
    if (outage.found_at_opening) text += " opening";
    if (!outage.order_observed) text += " unordered";
    if (!outage.begins_failure) text += " same";
    if (outage.repeat) text += " repeat";
    return text;
  });
}

HistoryBuilder::HistoryBuilder() { history_.observed_until = absl::InfiniteFuture(); }

HistoryBuilder& HistoryBuilder::Observed(int from, int to) {
  history_.observed.push_back({.from = At(from), .to = At(to)});
  return *this;
}

HistoryBuilder& HistoryBuilder::ObservedUntil(int minute) {
  history_.observed_until = At(minute);
  return *this;
}

HistoryBuilder& HistoryBuilder::NoDelivery() {
  history_.delivery_expected = false;
  return *this;
}

HistoryBuilder& HistoryBuilder::Fault(FaultClassNumber fault_class, int raised, int cleared, SpellEnd end) {
  Spell spell;
  spell.fault_class = fault_class;
  spell.effect = EffectOf(fault_class);
  spell.origin = OriginOf(fault_class);
  spell.raised_at = At(raised);
  spell.cleared_at = At(cleared);
  spell.end = cleared == kOpen ? SpellEnd::kOpen : end;
  spell.provenance.first = {EpochId{1}, ++sequence_};
  spell.provenance.last = spell.provenance.first;
  history_.spells.push_back(spell);
  return *this;
}

HistoryBuilder& HistoryBuilder::Found(FaultClassNumber fault_class, int raised, int cleared, SpellEnd end) {
  Fault(fault_class, raised, cleared, end);
  history_.spells.back().began_unobserved = true;
  return *this;
}

HistoryBuilder& HistoryBuilder::Priority(std::uint32_t priority) {
  history_.spells.back().priority = priority;
  return *this;
}

HistoryBuilder& HistoryBuilder::Rehearsed() {
  history_.spells.back().rehearsal = true;
  return *this;
}

HistoryBuilder& HistoryBuilder::Closed(int from, int to, ModeReason reason) {
  history_.modes.push_back({.mode = Mode::kClosed, .reason = reason, .from = At(from), .to = At(to)});
  return *this;
}

HistoryBuilder& HistoryBuilder::Occupied(int from, int to) {
  history_.modes.push_back({.mode = Mode::kOccupied, .from = At(from), .to = At(to)});
  return *this;
}

HistoryBuilder& HistoryBuilder::Voided(int from, int to) {
  history_.voided.push_back(Span(from, to));
  return *this;
}

HistoryBuilder& HistoryBuilder::Wash(int from, int to, CycleOutcome outcome) {
  Cycle cycle;
  cycle.cycle = "w" + std::to_string(history_.cycles.size() + 1);
  cycle.started_at = At(from);
  cycle.finished_at = At(to);
  cycle.outcome = outcome;
  history_.cycles.push_back(cycle);
  return *this;
}

HistoryBuilder& HistoryBuilder::Settled(int from, int to, Condition as, int recorded_at) {
  history_.settlements.push_back({Span(from, to), as, At(recorded_at)});
  return *this;
}

MachineHistory HistoryBuilder::Build() const {
  MachineHistory history = history_;
  std::stable_sort(history.spells.begin(), history.spells.end(),
                   [](const Spell& a, const Spell& b) { return a.raised_at < b.raised_at; });
  const auto by_from = [](const auto& a, const auto& b) { return a.from < b.from; };
  std::stable_sort(history.modes.begin(), history.modes.end(), by_from);
  std::stable_sort(history.observed.begin(), history.observed.end(), by_from);
  std::stable_sort(history.cycles.begin(), history.cycles.end(),
                   [](const Cycle& a, const Cycle& b) { return a.finished_at < b.finished_at; });
  return history;
}

template <class Fact>
FoldedAgent& FoldedAgent::Record(int at, Fact fact) {
  MachineEvent event;
  event.ref = {EpochId{epoch_}, ++sequence_};
  event.effective_at = event.recorded_at = event.received_at = At(at);
  event.rehearsal = rehearsal_;
  event.what = std::move(fact);
  Apply(std::move(event));
  return *this;
}

void FoldedAgent::Apply(MachineEvent event) {
  Fold(event, At(observed_until_), state, out);
  events.push_back(std::move(event));
}

FoldedAgent& FoldedAgent::Started(int at) { return Record(at, ObservationStartedFact{}); }
FoldedAgent& FoldedAgent::Lost(int at, int from) { return Record(at, ObservationLostFact{At(from), 2}); }

FoldedAgent& FoldedAgent::Raised(int at, FaultClassNumber fault_class, Effect effect) {
  return Record(at, FaultRaisedFact{testing::Fault(fault_class, effect)});
}

FoldedAgent& FoldedAgent::Cleared(int at, FaultClassNumber fault_class, std::uint32_t further_raises) {
  return Record(at, FaultClearedFact{fault_class, further_raises});
}

FoldedAgent& FoldedAgent::Shows(int at, const std::vector<FaultClassNumber>& faults, Mode mode,
                                ModeReason reason, const std::vector<std::string>& open_cycles) {
  SnapshotFact snapshot;
  for (const FaultClassNumber fault : faults)
    snapshot.faults.push_back(testing::Fault(fault, EffectOf(fault)));
  snapshot.mode = mode;
  snapshot.reason = reason;
  snapshot.open_cycles = open_cycles;
  return Record(at, std::move(snapshot));
}

FoldedAgent& FoldedAgent::ModeIs(int at, Mode mode, ModeReason reason) {
  return Record(at, ModeChangedFact{mode, reason});
}

FoldedAgent& FoldedAgent::WashStarted(int at, const std::string& cycle, const std::string& programme) {
  return Record(at, CycleStartedFact{cycle, programme, 1, 2});
}

FoldedAgent& FoldedAgent::WashFinished(int at, const std::string& cycle, int minutes) {
  CycleFinishedFact finished;
  finished.cycle.cycle = cycle;
  finished.cycle.finished_at = At(at);
  if (minutes > 0) finished.cycle.started_at = At(at - minutes);
  return Record(at, std::move(finished));
}

FoldedAgent& FoldedAgent::Stepped(int from, int to) { return Record(to, ClockSteppedFact{At(from), At(to)}); }
FoldedAgent& FoldedAgent::Missing(int at, int from, int to) {
  return Record(at, DataMissingFact{Span(from, to)});
}
FoldedAgent& FoldedAgent::Rejected(int at) { return Record(at, RejectedFact{}); }

FoldedAgent& FoldedAgent::Restarted(int observed_until) {
  ++epoch_;
  sequence_ = 0;
  observed_until_ = observed_until;
  return *this;
}

FoldedAgent& FoldedAgent::Rehearsing(bool rehearsal) {
  rehearsal_ = rehearsal;
  return *this;
}

MachineHistory FoldedAgent::History(int observed_until) const {
  MachineHistory history;
  history.spells = out.spells;
  history.modes = out.modes;
  history.observed = out.observed;
  history.voided = out.voided;
  history.cycles = out.cycles;
  history.observed_until = At(observed_until);
  AppendOpen(state, history);
  return history;
}

}  // namespace bayward::testing
