#include "server/ingest/event_reader.h"

#include <algorithm>
#include <cmath>
#include <initializer_list>
#include <utility>

#include "fmt/format.h"
#include "proto/common/fault_traits.h"

namespace bayward {
namespace {

constexpr std::int64_t kEarliestMicros = 946684800000000;  // 2000-01-01: no agent is older
constexpr std::size_t kNameBytesMax = 200;                 // of a step, a signal, a unit, a cycle's id

Rejection Reject(std::string reason, std::string detail) { return {std::move(reason), std::move(detail)}; }

absl::Time FromUs(std::int64_t micros) { return absl::FromUnixMicros(micros); }

bool HasNul(std::initializer_list<const std::string*> texts) {
  return std::any_of(texts.begin(), texts.end(),
                     [](const std::string* text) { return text->find('\0') != std::string::npos; });
}

Rejection NulByte(const char* where) {
  return Reject("nul_byte", fmt::format("{} holds a NUL byte, which no text may", where));
}

// Reads what FaultRaised and ActiveFault have in common.
template <class Fault>
std::optional<Rejection> ReadFault(const Fault& from, FaultFact& to) {
  const FaultClassInfo* info = FindFaultClass(from.fault_class());
  if (info == nullptr) {
    return Reject("unknown_value", fmt::format("fault class {} is not known here: is the agent newer than the server?",
                                               static_cast<int>(from.fault_class())));
  }
  if (!v1::Effect_IsValid(from.effect()) || !v1::Origin_IsValid(from.origin())) {
    return Reject("unknown_value", fmt::format("effect {} or origin {} is not known here",
                                               static_cast<int>(from.effect()), static_cast<int>(from.origin())));
  }
  if (HasNul({&from.raw_code(), &from.raw_text()})) return NulByte("the raw code or text");
  const auto effect = from.effect() != v1::EFFECT_UNSPECIFIED ? from.effect() : info->traits.default_effect();
  const auto origin = from.origin() != v1::ORIGIN_UNSPECIFIED ? from.origin() : info->traits.origin();
  to.fault_class = from.fault_class();
  to.effect = static_cast<Effect>(effect);
  to.origin = static_cast<Origin>(origin);
  to.priority = from.priority();
  to.raw_code = from.raw_code();
  to.raw_text = from.raw_text();
  return std::nullopt;
}

std::optional<Rejection> ReadMode(v1::Mode mode, v1::ModeReason reason, Mode& to, ModeReason& to_reason) {
  if (!v1::Mode_IsValid(mode) || mode == v1::MODE_UNSPECIFIED || !v1::ModeReason_IsValid(reason)) {
    return Reject("unknown_value", fmt::format("mode {} with reason {} is not known here", static_cast<int>(mode),
                                               static_cast<int>(reason)));
  }
  to = static_cast<Mode>(mode);
  to_reason = static_cast<ModeReason>(reason);
  return std::nullopt;
}

std::optional<Rejection> ReadSale(v1::SoldAs sold_as, v1::PaidBy paid_by) {
  if (v1::SoldAs_IsValid(sold_as) && v1::PaidBy_IsValid(paid_by)) return std::nullopt;
  return Reject("unknown_value", fmt::format("sold as {} or paid by {} is not known here", static_cast<int>(sold_as),
                                             static_cast<int>(paid_by)));
}

std::optional<Rejection> ReadCycleStarted(const v1::CycleStarted& from, MachineEvent& to) {
  if (from.cycle().empty()) return Reject("missing_field", "a cycle that starts needs its id");
  if (HasNul({&from.cycle(), &from.programme()})) return NulByte("the cycle's id or programme");
  if (auto bad = ReadSale(from.sold_as(), from.paid_by())) return bad;
  to.what = CycleStartedFact{from.cycle(), from.programme(), static_cast<std::uint8_t>(from.sold_as()),
                             static_cast<std::uint8_t>(from.paid_by())};
  return std::nullopt;
}

std::optional<Rejection> ReadCycleFinished(const v1::CycleFinished& from, MachineEvent& to) {
  if (from.cycle().empty()) return Reject("missing_field", "a cycle that finishes needs its id");
  if (HasNul({&from.cycle(), &from.programme(), &from.step_reached()})) return NulByte("the cycle's text");
  if (!v1::CycleOutcome_IsValid(from.outcome()) || from.outcome() == v1::CYCLE_OUTCOME_UNSPECIFIED) {
    return Reject("unknown_value", fmt::format("cycle outcome {} is not known here", static_cast<int>(from.outcome())));
  }
  if (from.abort_cause() != v1::FAULT_CLASS_UNSPECIFIED && FindFaultClass(from.abort_cause()) == nullptr) {
    return Reject("unknown_value", fmt::format("abort cause {} is not a known fault class",
                                               static_cast<int>(from.abort_cause())));
  }
  if (auto bad = ReadSale(from.sold_as(), from.paid_by())) return bad;
  constexpr std::int64_t kDayMicros = std::int64_t{86400} * 1000000;
  if (from.duration_us() < 0 || from.duration_us() > kDayMicros) {
    return Reject("absurd_time", fmt::format("a cycle of {} µs: expected 0 to one day", from.duration_us()));
  }
  CycleFinishedFact fact;
  fact.cycle.cycle = from.cycle();
  fact.cycle.programme = from.programme();
  fact.cycle.finished_at = to.effective_at;
  if (from.duration_us() > 0) fact.cycle.started_at = to.effective_at - absl::Microseconds(from.duration_us());
  fact.cycle.outcome = static_cast<CycleOutcome>(from.outcome());
  fact.cycle.abort_cause = from.abort_cause();
  fact.cycle.sold_as = static_cast<std::uint8_t>(from.sold_as());
  fact.cycle.paid_by = static_cast<std::uint8_t>(from.paid_by());
  fact.cycle.rehearsal = to.rehearsal;
  to.what = std::move(fact);
  return std::nullopt;
}

std::optional<Rejection> ReadSnapshot(const v1::Snapshot& from, MachineEvent& to) {
  SnapshotFact fact;
  for (const auto& fault : from.faults()) {
    if (auto bad = ReadFault(fault, fact.faults.emplace_back())) return bad;
  }
  const v1::Mode mode = from.mode() == v1::MODE_UNSPECIFIED ? v1::MODE_IN_SERVICE : from.mode();
  if (auto bad = ReadMode(mode, from.reason(), fact.mode, fact.reason)) return bad;
  for (const auto& cycle : from.open_cycles()) {
    if (HasNul({&cycle})) return NulByte("a cycle's id");
    fact.open_cycles.push_back(cycle);
  }
  to.what = std::move(fact);
  return std::nullopt;
}

std::optional<Rejection> CheckNames(std::initializer_list<const std::string*> names, const char* where) {
  if (HasNul(names)) return NulByte(where);
  for (const std::string* name : names) {
    if (name->size() <= kNameBytesMax) continue;
    return Reject("too_large", fmt::format("{} has {} bytes: at most {} are taken", where, name->size(),
                                           kNameBytesMax));
  }
  return std::nullopt;
}

std::optional<Rejection> CheckStep(const v1::CycleStep& from) {
  if (from.cycle().empty() || from.step().empty()) {
    return Reject("missing_field", "a step needs its name and the id of its cycle");
  }
  return CheckNames({&from.cycle(), &from.step()}, "a step's name or cycle");
}

std::optional<Rejection> CheckSignal(const v1::SignalChanged& from) {
  if (from.signal().empty()) return Reject("missing_field", "a signal needs its name");
  if (auto bad = CheckNames({&from.signal(), &from.unit(), &from.cycle()}, "a signal's name or unit")) return bad;
  if (!std::isfinite(from.value())) return Reject("absurd_value", "a signal's value that is no finite number");
  if (from.unit().empty() && from.value() != 0 && from.value() != 1) {
    return Reject("absurd_value", fmt::format("a contact's value {}: expected 0 or 1; a measured signal has a unit",
                                              from.value()));
  }
  return std::nullopt;
}

// Facts that only have to be legible to be kept.
std::optional<Rejection> CheckKept(const v1::Event& from) {
  switch (from.what_case()) {
    case v1::Event::kMeter:
      if (v1::Quantity_IsValid(from.meter().quantity())) return std::nullopt;
      break;
    case v1::Event::kLevel:
      if (v1::Quantity_IsValid(from.level().quantity())) return std::nullopt;
      break;
    case v1::Event::kSale:
      return ReadSale(from.sale().sold_as(), from.sale().paid_by());
    case v1::Event::kEntryRefused:
      return ReadSale(from.entry_refused().sold_as(), v1::PAID_BY_UNSPECIFIED);
    case v1::Event::kSiteNote:
      if (v1::NoteKind_IsValid(from.site_note().kind())) return std::nullopt;
      break;
    case v1::Event::kCycleStep:
      return CheckStep(from.cycle_step());
    case v1::Event::kSignalChanged:
      return CheckSignal(from.signal_changed());
    default:
      return std::nullopt;
  }
  return Reject("unknown_value", "a quantity or kind of note that is not known here");
}

std::optional<Rejection> ReadWhat(const v1::Event& from, ReadEvent& to) {
  to.folds = true;
  switch (from.what_case()) {
    case v1::Event::kObservationStarted:
      to.event.what = ObservationStartedFact{};
      return std::nullopt;
    case v1::Event::kObservationLost: {
      const auto& lost = from.observation_lost();
      if (!v1::LossReason_IsValid(lost.reason())) {
        return Reject("unknown_value", fmt::format("loss reason {} is not known here", static_cast<int>(lost.reason())));
      }
      absl::Time since = absl::InfinitePast();  // not known to the agent
      if (lost.from_us() >= kEarliestMicros) since = std::min(to.event.effective_at, FromUs(lost.from_us()));
      to.event.what = ObservationLostFact{since, static_cast<std::uint8_t>(lost.reason())};
      return std::nullopt;
    }
    case v1::Event::kFaultRaised: {
      FaultRaisedFact fact;
      if (auto bad = ReadFault(from.fault_raised(), fact.fault)) return bad;
      to.event.what = std::move(fact);
      return std::nullopt;
    }
    case v1::Event::kFaultCleared: {
      const auto& cleared = from.fault_cleared();
      if (FindFaultClass(cleared.fault_class()) == nullptr) {
        return Reject("unknown_value", fmt::format("fault class {} is not known here: is the agent newer than the "
                                                   "server?", static_cast<int>(cleared.fault_class())));
      }
      to.event.what = FaultClearedFact{cleared.fault_class(), cleared.further_raises()};
      return std::nullopt;
    }
    case v1::Event::kCycleStarted:
      to.affects_state = false;
      return ReadCycleStarted(from.cycle_started(), to.event);
    case v1::Event::kCycleFinished:
      to.affects_state = false;
      return ReadCycleFinished(from.cycle_finished(), to.event);
    case v1::Event::kModeChanged: {
      ModeChangedFact fact;
      if (auto bad = ReadMode(from.mode_changed().mode(), from.mode_changed().reason(), fact.mode, fact.reason)) {
        return bad;
      }
      to.event.what = fact;
      return std::nullopt;
    }
    case v1::Event::kSnapshot:
      return ReadSnapshot(from.snapshot(), to.event);
    case v1::Event::kClockStepped: {
      const auto& step = from.clock_stepped();
      if (step.from_us() < kEarliestMicros || step.to_us() < kEarliestMicros) {
        return Reject("absurd_time", "a clock step needs both its times");
      }
      to.event.what = ClockSteppedFact{FromUs(step.from_us()), FromUs(step.to_us())};
      return std::nullopt;
    }
    case v1::Event::WHAT_NOT_SET:
      return Reject("unknown_value", "an event of a kind that is not known here: is the agent newer than the server?");
    default:
      to.folds = false;
      to.affects_state = false;
      return CheckKept(from);
  }
}

std::optional<Rejection> ReadTombstone(const v1::Event& from, ReadEvent& to) {
  const v1::Tombstone& stone = from.tombstone();
  if (stone.last_sequence() < to.sequence) {
    return Reject("malformed", fmt::format("a tombstone from {} must reach at least there, not {}", to.sequence,
                                           stone.last_sequence()));
  }
  to.is_tombstone = true;
  to.last_sequence = stone.last_sequence();
  // A kind this build does not know may stand for state: unknown is the honest reading.
  to.tombstone_kind = v1::TombstoneKind_IsValid(stone.kind()) && stone.kind() != v1::TOMBSTONE_KIND_UNSPECIFIED
                          ? stone.kind() : v1::TOMBSTONE_KIND_STATE;
  to.tombstone_machines.assign(stone.machines().begin(), stone.machines().end());
  to.tombstone_reason = HasNul({&stone.reason()}) ? "" : stone.reason();
  const absl::Time latest = std::max(to.event.effective_at, to.event.recorded_at);
  const absl::Time until = stone.to_us() >= kEarliestMicros ? std::min(FromUs(stone.to_us()), latest) : latest;
  const absl::Time since = stone.from_us() >= kEarliestMicros ? std::min(FromUs(stone.from_us()), until) : until;
  to.event.what = DataMissingFact{{since, until}};
  return std::nullopt;
}

// Sets the event's times; the rejection where they make no sense.
std::optional<Rejection> ReadTimes(const v1::Event& from, const ReadContext& context, ReadEvent& to) {
  if (from.clock() == v1::CLOCK_STATE_SIMULATED && !from.rehearsal()) {
    return Reject("malformed", "only a rehearsal may carry simulated times");
  }
  std::int64_t recorded = from.recorded_at_us();
  std::int64_t effective = from.effective_at_us() == 0 ? recorded : from.effective_at_us();
  if (from.clock() != v1::CLOCK_STATE_SYNCED && from.clock() != v1::CLOCK_STATE_SIMULATED && context.clock_offset) {
    const std::int64_t corrected = from.monotonic_us() + absl::ToInt64Microseconds(*context.clock_offset);
    effective += corrected - recorded;
    recorded = corrected;
  }
  if (recorded < kEarliestMicros || recorded > 4102444800000000 /* 2100-01-01 */) {
    return Reject("absurd_time", fmt::format("recorded at {} µs since 1970: expected a time between 2000 and 2100",
                                             recorded));
  }
  to.event.recorded_at = FromUs(recorded);
  to.event.effective_at = std::min(FromUs(effective), to.event.recorded_at);
  if (to.event.recorded_at > context.received_at + kAheadMax) {
    to.clock_error = true;
    to.event.recorded_at = context.received_at;
    to.event.effective_at = context.received_at;
  }
  to.occurred_at = to.event.recorded_at;
  if (to.event.effective_at < to.event.recorded_at - kEffectiveBeforeMax) {
    return Reject("absurd_time", "the signal changed more than 1 h before it was recorded");
  }
  return std::nullopt;
}

}  // namespace

ReadEvent EventReader::Read(std::uint64_t sequence, std::string_view payload, const ReadContext& context) {
  ReadEvent read;
  read.sequence = read.last_sequence = sequence;
  read.payload = payload;
  read.event.ref = {context.epoch, sequence};
  read.event.received_at = context.received_at;
  read.event.recorded_at = read.event.effective_at = read.occurred_at = context.received_at;
  if (payload.size() > kEventBytesMax) {
    read.rejection = Reject("too_large", fmt::format("an event of {} bytes: at most {} are taken", payload.size(),
                                                     kEventBytesMax));
  } else if (!event_.ParseFromArray(payload.data(), static_cast<int>(payload.size()))) {
    read.rejection = Reject("malformed", "not a bayward.v1.Event: its bytes cannot be read");
  }
  if (read.rejection) return read;

  read.machine = event_.machine();
  read.kind = static_cast<std::int16_t>(event_.what_case());
  read.event.rehearsal = event_.rehearsal();
  if (HasNul({&read.machine})) {
    read.machine.clear();
    read.rejection = NulByte("the machine's key");
    return read;
  }
  const auto bad_times = ReadTimes(event_, context, read);
  if (event_.what_case() == v1::Event::kTombstone) {
    // Its times are a help, its sequence numbers are the point.
    read.rejection = ReadTombstone(event_, read);
    return read;
  }
  read.rejection = ReadWhat(event_, read);
  if (bad_times) read.rejection = bad_times;
  if (!read.rejection && read.machine.empty()) {
    read.rejection = Reject("missing_field", "an event needs the key of its machine");
  }
  return read;
}

}  // namespace bayward
