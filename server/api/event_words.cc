#include "server/api/event_words.h"

#include <algorithm>
#include <string_view>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "google/protobuf/descriptor.h"
#include "proto/common/fault_traits.h"

namespace bayward {
namespace {

std::string Spaced(std::string text) {
  std::replace(text.begin(), text.end(), '_', ' ');
  return text;
}

// "stopped and called" of NOTE_KIND_STOPPED_AND_CALLED; "" for the unspecified value, "value 77" for an unknown one.
std::string EnumWords(const google::protobuf::EnumDescriptor* type, int number) {
  constexpr std::string_view kUnspecified = "UNSPECIFIED";
  if (number == 0) return "";
  const auto* value = type->FindValueByNumber(number);
  if (value == nullptr) return fmt::format("value {}", number);
  const std::size_t prefix = type->FindValueByNumber(0)->name().size() - kUnspecified.size();
  return Spaced(absl::AsciiStrToLower(value->name().substr(prefix)));
}

// Parts joined by ", ", the empty ones left out.
std::string Joined(std::vector<std::string> parts) {
  parts.erase(std::remove(parts.begin(), parts.end(), ""), parts.end());
  return absl::StrJoin(parts, ", ");
}

std::string With(std::string_view before, const std::string& words) {
  return words.empty() ? "" : std::string(before) + words;
}

std::string At(std::int64_t micros) { return UtcText(absl::FromUnixMicros(micros)); }

template <class Fault>
std::string FaultWords(const Fault& fault) {
  const FaultClassInfo* info = FindFaultClass(fault.fault_class());
  int effect = fault.effect();
  int origin = fault.origin();
  if (info != nullptr && effect == 0) effect = info->traits.default_effect();
  if (info != nullptr && origin == 0) origin = info->traits.origin();
  return Joined({FaultClassName(fault.fault_class()), EnumWords(v1::Effect_descriptor(), effect),
                 origin == v1::ORIGIN_INTERNAL ? "" : With("origin ", EnumWords(v1::Origin_descriptor(), origin)),
                 fault.priority() == 0 ? "" : fmt::format("priority {}", fault.priority())});
}

std::string SoldWords(int sold_as, int paid_by) {
  return Joined({With("sold as ", SoldAsWords(sold_as)), With("paid by ", PaidByWords(paid_by))});
}

std::string ModeWords(v1::Mode mode, v1::ModeReason reason, const std::string& by) {
  return Joined({EnumWords(v1::Mode_descriptor(), mode),
                 With("reason ", EnumWords(v1::ModeReason_descriptor(), reason)), With("by ", by)});
}

std::string LostWords(const v1::ObservationLost& lost) {
  return Joined({"watching lost", LossWords(lost.reason()), lost.from_us() == 0 ? "" : "since " + At(lost.from_us()),
                 lost.detail()});
}

std::string ClearedWords(const v1::FaultCleared& cleared) {
  return Joined({"fault cleared: " + FaultClassName(cleared.fault_class()),
                 cleared.further_raises() == 0 ? "" : fmt::format("{} further raises", cleared.further_raises())});
}

std::string StartedWords(const v1::CycleStarted& started) {
  return Joined({fmt::format("wash {} started", started.cycle()), With("programme ", started.programme()),
                 SoldWords(started.sold_as(), started.paid_by())});
}

std::string FinishedWords(const v1::CycleFinished& finished) {
  return Joined(
      {fmt::format("wash {} {}", finished.cycle(), EnumWords(v1::CycleOutcome_descriptor(), finished.outcome())),
       With("programme ", finished.programme()),
       finished.duration_us() == 0 ? "" : "after " + absl::FormatDuration(absl::Microseconds(finished.duration_us())),
       finished.abort_cause() == 0 ? "" : "the controller names " + FaultClassName(finished.abort_cause()),
       With("reached step ", finished.step_reached()),
       With("vehicle present: ", PresenceWords(finished.vehicle_present())),
       SoldWords(finished.sold_as(), finished.paid_by())});
}

std::string SnapshotWords(const v1::Snapshot& snapshot) {
  std::vector<std::string> faults;
  for (const auto& fault : snapshot.faults()) {
    faults.push_back(Joined({FaultWords(fault), With("raw ", fault.raw_code()), fault.raw_text()}));
  }
  const v1::Mode mode = snapshot.mode() == v1::MODE_UNSPECIFIED ? v1::MODE_IN_SERVICE : snapshot.mode();
  return "all that holds: " + (faults.empty() ? "no fault" : absl::StrJoin(faults, "; ")) + "; " +
         ModeWords(mode, snapshot.reason(), "") +
         (snapshot.open_cycles().empty() ? "" : "; washes under way: " + absl::StrJoin(snapshot.open_cycles(), ", "));
}

template <class Reading>
std::string ReadingWords(const Reading& reading) {
  return Joined({fmt::format("{} {}{}", EnumWords(v1::Quantity_descriptor(), reading.quantity()), reading.value(),
                             With(" ", reading.unit())),
                 With("at ", reading.place())});
}

std::string SaleWords(const v1::Sale& sale) {
  return Joined({"sale", With("programme ", sale.programme()), SoldWords(sale.sold_as(), sale.paid_by()),
                 fmt::format("price {} in minor units", sale.price_minor()), With("wash ", sale.cycle())});
}

std::string NoteWords(const v1::SiteNote& note) {
  return Joined({"note: " + EnumWords(v1::NoteKind_descriptor(), note.kind()), note.text(),
                 note.fault_class() == 0 ? "" : "about " + FaultClassName(note.fault_class())});
}

std::string SignalWords(const v1::SignalChanged& signal) {
  if (signal.unit().empty()) {
    return Joined({fmt::format("contact {} {}", signal.signal(), signal.value() == 0 ? "off" : "on"),
                   With("wash ", signal.cycle())});
  }
  return Joined(
      {fmt::format("{} {} {}", signal.signal(), signal.value(), signal.unit()), With("wash ", signal.cycle())});
}

std::string WhatWords(const v1::Event& event) {
  switch (event.what_case()) {
    case v1::Event::kObservationStarted: return "watching began";
    case v1::Event::kObservationLost: return LostWords(event.observation_lost());
    case v1::Event::kFaultRaised: return "fault raised: " + FaultWords(event.fault_raised());
    case v1::Event::kFaultCleared: return ClearedWords(event.fault_cleared());
    case v1::Event::kCycleStarted: return StartedWords(event.cycle_started());
    case v1::Event::kCycleFinished: return FinishedWords(event.cycle_finished());
    case v1::Event::kModeChanged:
      return "mode: " +
             ModeWords(event.mode_changed().mode(), event.mode_changed().reason(), event.mode_changed().by());
    case v1::Event::kSnapshot: return SnapshotWords(event.snapshot());
    case v1::Event::kClockStepped:
      return fmt::format("the agent's clock stepped from {} to {}", At(event.clock_stepped().from_us()),
                         At(event.clock_stepped().to_us()));
    case v1::Event::kMeter: return "meter: " + ReadingWords(event.meter());
    case v1::Event::kLevel: return "level: " + ReadingWords(event.level());
    case v1::Event::kSale: return SaleWords(event.sale());
    case v1::Event::kEntryRefused:
      return Joined({"entry was refused", event.entry_refused().reason(), SoldWords(event.entry_refused().sold_as(), 0)});
    case v1::Event::kProgrammeOffered:
      return fmt::format("programme {} {}", event.programme_offered().programme(),
                         event.programme_offered().offered() ? "offered" : "no longer offered");
    case v1::Event::kSiteNote: return NoteWords(event.site_note());
    case v1::Event::kCycleStep:
      return fmt::format("wash {} reached step {}", event.cycle_step().cycle(), event.cycle_step().step());
    case v1::Event::kSignalChanged: return SignalWords(event.signal_changed());
    // A tombstone is of an agent and stands in no machine's rows.
    default: return EventKindWords(event.what_case());
  }
}

}  // namespace

std::string EventKindWords(int kind) {
  const auto* field = v1::Event::descriptor()->FindFieldByNumber(kind);
  return field == nullptr ? fmt::format("kind {}", kind) : Spaced(field->name());
}

std::string EventWords(const v1::Event& event) { return (event.rehearsal() ? "rehearsed: " : "") + WhatWords(event); }

std::string ClockWords(v1::ClockState clock) {
  switch (clock) {
    case v1::CLOCK_STATE_SYNCED: return "synced";
    case v1::CLOCK_STATE_UNSYNCED: return "not synced";
    case v1::CLOCK_STATE_SIMULATED: return "simulated";
    default: return "not told";
  }
}

std::string EffectWords(Effect effect) { return EnumWords(v1::Effect_descriptor(), static_cast<int>(effect)); }
std::string OriginWords(Origin origin) { return EnumWords(v1::Origin_descriptor(), static_cast<int>(origin)); }
std::string OutcomeWords(CycleOutcome outcome) {
  return EnumWords(v1::CycleOutcome_descriptor(), static_cast<int>(outcome));
}
std::string SoldAsWords(int sold_as) { return EnumWords(v1::SoldAs_descriptor(), sold_as); }
std::string PaidByWords(int paid_by) { return EnumWords(v1::PaidBy_descriptor(), paid_by); }
std::string PresenceWords(int presence) { return EnumWords(v1::Presence_descriptor(), presence); }
std::string LossWords(int loss_reason) { return EnumWords(v1::LossReason_descriptor(), loss_reason); }

std::string SpellEndWords(SpellEnd end) {
  switch (end) {
    case SpellEnd::kOpen: return "still active";
    case SpellEnd::kCleared: return "cleared";
    case SpellEnd::kEffectChanged: return "raised again with another effect";
    case SpellEnd::kLostSight: return "gone when watching began again";
    case SpellEnd::kHandedOver: return "another agent took over";
  }
  return "";
}

std::string UtcText(absl::Time at) { return absl::FormatTime("%E4Y-%m-%dT%H:%M:%E*SZ", at, absl::UTCTimeZone()); }

}  // namespace bayward
