#include <algorithm>
#include <map>
#include <set>
#include <utility>
#include <vector>

#include "absl/strings/str_join.h"
#include "bayward/v1/event.pb.h"
#include "fmt/format.h"
#include "proto/common/digest.h"
#include "proto/common/status.h"
#include "server/api/event_words.h"
#include "server/api/record_handlers.h"
#include "server/api/record_question.h"
#include "server/api/record_rows.h"
#include "server/api/wash_facts.h"
#include "server/api/wash_sheet.h"

namespace bayward {
namespace {

using Spells = std::vector<const Spell*>;

void SetWash(const WashFacts& facts, v1::GetWashRecordResponse& sheet) {
  sheet.set_cycle(facts.wash.cycle);
  sheet.set_programme(facts.wash.programme);
  sheet.set_started_us(MicrosOrZero(facts.wash.started_at));
  sheet.set_finished_us(absl::ToUnixMicros(facts.wash.finished_at));
  sheet.set_outcome(OutcomeWords(facts.wash.outcome));
  sheet.set_sold_as(SoldAsWords(facts.wash.sold_as));
  sheet.set_paid_by(PaidByWords(facts.wash.paid_by));
  if (facts.washes_since_clean) sheet.set_washes_since_clean(*facts.washes_since_clean);
  sheet.set_last_clean_us(MicrosOrZero(facts.last_clean));
  sheet.set_last_upkeep_us(MicrosOrZero(facts.last_upkeep));
  for (const UnknownStretch& unknown : facts.unknown) {
    v1::StretchRow& row = *sheet.add_unknown();
    row.set_from_us(absl::ToUnixMicros(unknown.interval.start));
    row.set_to_us(absl::ToUnixMicros(unknown.interval.end));
    row.set_why(unknown.why);
  }
}

void AddSpells(const Spells& spells, const MachineTimeline& timeline, const EpochNameMap& epochs,
               google::protobuf::RepeatedPtrField<v1::SpellRow>& rows) {
  for (const Spell* spell : spells) {
    const bool first_out = std::any_of(timeline.outages.begin(), timeline.outages.end(), [&](const Outage& outage) {
      return outage.first_out == spell && outage.order_observed;
    });
    *rows.Add() = MakeSpellRow(*spell, first_out, epochs);
  }
}

// A signal without a wash's id belongs to the one during which it changed.
bool IsSignalOf(const v1::SignalChanged& signal, absl::Time at, const WashFacts& facts) {
  if (!signal.cycle().empty()) return signal.cycle() == facts.wash.cycle;
  return facts.begin() <= at && at <= facts.wash.finished_at;
}

void AddEvents(const FoundEvents& found, const WashFacts& facts, const EpochNameMap& epochs,
               v1::GetWashRecordResponse& sheet) {
  for (const StoredEvent& stored : found.rows) {
    const v1::RawEventRow& row = *sheet.add_events() = MakeRawEventRow(stored, epochs);
    v1::Event event;
    if (!event.ParseFromString(stored.payload)) continue;
    if (event.has_cycle_step() && event.cycle_step().cycle() == facts.wash.cycle) *sheet.add_steps() = row;
    if (event.has_signal_changed() && IsSignalOf(event.signal_changed(), stored.effective_at, facts)) {
      *sheet.add_signals() = row;
    }
    if (event.has_cycle_finished() && event.cycle_finished().cycle() == facts.wash.cycle) {
      sheet.set_step_reached(event.cycle_finished().step_reached());
      sheet.set_vehicle_present(PresenceWords(event.cycle_finished().vehicle_present()));
    }
  }
}

// "raw events: 3 not synced, 38 synced".
std::string ClockQuality(const v1::GetWashRecordResponse& sheet) {
  std::map<std::string, int> counts;
  for (const v1::RawEventRow& event : sheet.events()) ++counts[event.clock()];
  if (counts.empty()) return "not known: no raw event";
  std::vector<std::string> parts;
  for (const auto& [clock, count] : counts) parts.push_back(fmt::format("{} {}", count, clock));
  return "raw events: " + absl::StrJoin(parts, ", ");
}

void SetHeld(const std::vector<Hold>& holds, const WashFacts& facts, v1::GetWashRecordResponse& sheet) {
  std::set<std::string> references;
  for (const Hold& hold : holds) {
    const bool about = hold.interval.start <= facts.wash.finished_at && facts.begin() < hold.interval.end;
    if (!about || hold.released_at != absl::InfiniteFuture()) continue;
    sheet.set_held(true);
    if (!hold.reference.empty()) references.insert(hold.reference);
  }
  sheet.set_outside_reference(absl::StrJoin(references, "; "));
}

std::vector<std::string> SheetNotes(const WashFacts& facts, const RecordQuestion& question,
                                    const MachineTimeline& timeline) {
  std::vector<std::string> notes = {"This sheet states facts as they were recorded and names no cause."};
  const absl::Time settled = facts.wash.finished_at + kFaultsAround;
  if (question.now < settled || timeline.in_doubt_from < settled) {
    notes.push_back(
        "Provisional: the day after the wash is not over or not delivered yet; facts may be added, and the hash "
        "changes with them.");
  }
  if (facts.last_clean != absl::InfinitePast() && !facts.washes_since_clean) {
    notes.push_back(
        "The machine was not watched all the time since its last clean wash: how many there were since is not known.");
  }
  if (!facts.in_timeline) {
    notes.push_back(
        "The wash is past its retention and known from events that a hold keeps; the washes before it are not known "
        "one by one.");
  }
  if (question.fleet->demonstration) notes.push_back("This is a demonstration fleet: rehearsed events count.");
  return notes;
}

}  // namespace

absl::StatusOr<v1::GetWashRecordResponse> RecordHandlers::GetWashRecord(
    const Caller&, const v1::GetWashRecordRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const RecordQuestion question, AskRecord(sources_, request.machine()));
  absl::Time at = question.now;
  if (!request.at().empty()) {
    BAYWARD_ASSIGN_OR_RETURN(at, PastInstant("at", request.at(), question.now));
  }
  BAYWARD_ASSIGN_OR_RETURN(const auto timeline, ReadTimeline(sources_, question, at - kFaultsAround));
  BAYWARD_ASSIGN_OR_RETURN(std::vector<StoredEvent> held, sources_.events.HeldWashEvents(question.machine->id));
  if (!question.fleet->demonstration) std::erase_if(held, [](const StoredEvent& event) { return event.rehearsal; });
  const std::optional<WashFacts> facts = FindWash(*timeline, WashesOf(held), at, question.now);
  if (!facts) return NotFound("no wash of {} up to {} is known", question.machine->full_name, UtcText(at));
  const Interval around{facts->begin() - kEventsAround, facts->wash.finished_at + kEventsAround};
  BAYWARD_ASSIGN_OR_RETURN(const FoundEvents found, sources_.events.Find(EventsOf(question, around), kRawEventsMax));
  BAYWARD_ASSIGN_OR_RETURN(const std::vector<Hold> holds, sources_.holds.List(std::span(&question.machine->id, 1)));
  Spells spells = facts->before;
  spells.insert(spells.end(), facts->during.begin(), facts->during.end());
  spells.insert(spells.end(), facts->after.begin(), facts->after.end());
  BAYWARD_ASSIGN_OR_RETURN(const EpochNameMap epochs, NamesOf(sources_.epochs, spells, found.rows));

  v1::GetWashRecordResponse sheet;
  sheet.set_machine(question.machine->full_name);
  SetWash(*facts, sheet);
  AddSpells(facts->before, *timeline, epochs, *sheet.mutable_faults_before());
  AddSpells(facts->during, *timeline, epochs, *sheet.mutable_faults_during());
  AddSpells(facts->after, *timeline, epochs, *sheet.mutable_faults_after());
  AddEvents(found, *facts, epochs, sheet);
  sheet.set_clock_quality(ClockQuality(sheet));
  sheet.set_canonical(CanonicalText(sheet));
  sheet.set_sha256(Sha256Hex(sheet.canonical()));
  SetHeld(holds, *facts, sheet);
  sheet.set_as_of_us(absl::ToUnixMicros(question.now));
  for (std::string& note : SheetNotes(*facts, question, *timeline)) sheet.add_notes(std::move(note));
  for (std::string& note : EventNotes(found)) sheet.add_notes(std::move(note));
  return sheet;
}

}  // namespace bayward
