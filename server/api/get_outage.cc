#include <algorithm>
#include <vector>

#include "proto/common/fault_traits.h"
#include "proto/common/status.h"
#include "server/api/event_words.h"
#include "server/api/record_handlers.h"
#include "server/api/record_question.h"
#include "server/api/record_rows.h"

namespace bayward {
namespace {

// Under way at `at`, or the last before it.
absl::StatusOr<const Outage*> FindOutage(const MachineTimeline& timeline, const Machine& machine, absl::Time at) {
  const Outage* found = nullptr;
  for (const Outage& outage : timeline.outages) {
    if (outage.interval.start <= at) found = &outage;
  }
  if (found == nullptr) return NotFound("{} had no outage up to {}", machine.full_name, UtcText(at));
  return found;
}

// In the order raised, the first-out one first.
std::vector<const Spell*> SpellsOf(const Outage& outage) {
  std::vector<const Spell*> spells = {outage.first_out};
  spells.insert(spells.end(), outage.consequential.begin(), outage.consequential.end());
  return spells;
}

// When the first wash begun after the restoration was completed; InfiniteFuture where there is none.
absl::Time FirstWashAfter(const MachineTimeline& timeline, const Outage& outage) {
  for (const Cycle& cycle : timeline.history.cycles) {
    const absl::Time began = cycle.started_at == absl::InfinitePast() ? cycle.finished_at : cycle.started_at;
    if (cycle.outcome == CycleOutcome::kCompleted && began >= outage.interval.end) return cycle.finished_at;
  }
  return absl::InfiniteFuture();
}

std::vector<std::string> OutageNotes(const Outage& outage, bool washed, const MachineTimeline& timeline,
                                     absl::Time now) {
  std::vector<std::string> notes;
  const bool open = outage.interval.end == absl::InfiniteFuture();
  if (open) notes.push_back("Not restored: the raw events go up to now.");
  if (!open && !washed) {
    notes.push_back("No wash was completed since it was restored: the raw events go up to now.");
  }
  if (!open && outage.restoration_censored) {
    notes.push_back("Sight was lost before it was restored: it lasted at least until then.");
  }
  if (!outage.order_observed) {
    notes.push_back("Its first faults were first seen all at once: which came first is not known.");
  }
  if (timeline.in_doubt_from < now) notes.push_back("Provisional: what is still delivered may change it.");
  return notes;
}

}  // namespace

absl::StatusOr<v1::GetOutageResponse> RecordHandlers::GetOutage(const Caller&,
                                                                const v1::GetOutageRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const RecordQuestion question, AskRecord(sources_, request.machine()));
  absl::Time at = question.now;
  if (!request.at().empty()) {
    BAYWARD_ASSIGN_OR_RETURN(at, PastInstant("at", request.at(), question.now));
  }
  BAYWARD_ASSIGN_OR_RETURN(const auto timeline, ReadTimeline(sources_, question, at));
  BAYWARD_ASSIGN_OR_RETURN(const Outage* outage, FindOutage(*timeline, *question.machine, at));
  const absl::Time washed = FirstWashAfter(*timeline, *outage);
  const std::vector<const Spell*> spells = SpellsOf(*outage);
  const Spell* first = *std::min_element(spells.begin(), spells.end(),
                                         [](const Spell* a, const Spell* b) { return a->raised_at < b->raised_at; });
  // The event that ended the wash is the last one.
  const absl::Time until = std::min(washed, question.now) + absl::Microseconds(1);
  BAYWARD_ASSIGN_OR_RETURN(const FoundEvents found,
                           sources_.events.Find(EventsOf(question, {first->raised_at, until}), kRawEventsMax));
  BAYWARD_ASSIGN_OR_RETURN(const EpochNameMap epochs, NamesOf(sources_.epochs, spells, found.rows));

  v1::GetOutageResponse response;
  response.set_machine(question.machine->full_name);
  response.set_began_us(absl::ToUnixMicros(outage->interval.start));
  response.set_restored_us(MicrosOrZero(outage->interval.end));
  response.set_down_seconds(absl::ToDoubleSeconds(outage->down));
  response.set_order_observed(outage->order_observed);
  response.set_first_out_name(outage->order_observed ? FaultClassName(outage->first_out->fault_class)
                                                     : "order not observed");
  for (const Spell* spell : spells) {
    *response.add_spells() = MakeSpellRow(*spell, spell == outage->first_out && outage->order_observed, epochs);
  }
  for (const StoredEvent& event : found.rows) *response.add_events() = MakeRawEventRow(event, epochs);
  response.set_events_left_out(static_cast<std::uint32_t>(found.left_out));
  response.set_as_of_us(absl::ToUnixMicros(question.now));
  for (std::string& note : OutageNotes(*outage, washed != absl::InfiniteFuture(), *timeline, question.now)) {
    response.add_notes(std::move(note));
  }
  for (std::string& note : EventNotes(found)) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
