#include "server/api/record_question.h"

#include <algorithm>
#include <utility>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/event_words.h"
#include "server/api/scope.h"
#include "server/api/timeline_reader.h"
#include "server/registry/values.h"

namespace bayward {
namespace {

std::string MissingNote(const MissingEvents& missing) {
  const std::string what = missing.lost_by_server ? "are held nowhere any more" : "were dropped by the agent";
  const bool until_known = missing.stretch.end != absl::InfiniteFuture();
  const bool since_known = missing.stretch.start != absl::InfinitePast();
  return fmt::format("{} events of the machine's agent {}{}{}{}.", missing.events, what,
                     since_known ? ", from " + UtcText(missing.stretch.start) : "",
                     until_known ? " to " + UtcText(missing.stretch.end) : "",
                     missing.reason.empty() || missing.lost_by_server ? "" : ": " + missing.reason);
}

}  // namespace

absl::StatusOr<RecordQuestion> AskRecord(const RecordSources& sources, const std::string& machine) {
  if (machine.empty()) return InvalidArgument("machine: expected {}, found nothing", kMachineNameFormat.expected);
  RecordQuestion question;
  question.fleet = sources.fleet();
  if (question.fleet == nullptr) {
    return Unavailable("the declared fleet has not been read yet; ask again in a moment");
  }
  question.now = sources.clock.Now();
  v1::Scope scope;
  scope.add_machines(machine);
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*question.fleet, scope));
  question.machine = selection.machines.front();
  return question;
}

absl::StatusOr<std::unique_ptr<MachineTimeline>> ReadTimeline(const RecordSources& sources,
                                                              const RecordQuestion& question, absl::Time from) {
  std::unique_ptr<MachineTimeline> read;
  TimelineReader reader(sources.histories, *question.fleet, from, question.now);
  BAYWARD_RETURN_IF_ERROR(
      reader.Read(std::span(&question.machine, 1),
                  [&](const Machine&, std::unique_ptr<MachineTimeline> timeline) { read = std::move(timeline); }));
  return read;
}

EventQuery EventsOf(const RecordQuestion& question, const Interval& effective) {
  EventQuery query{
      .machine = question.machine->id, .effective = effective, .rehearsal = question.fleet->demonstration};
  const auto assigned = question.fleet->assignments_of.find(question.machine->id);
  if (assigned == question.fleet->assignments_of.end()) return query;
  for (const std::size_t i : assigned->second) {
    const Assignment& assignment = question.fleet->assignments[i];
    if (!effective.overlaps({assignment.from, assignment.to})) continue;
    query.assignments.push_back(assignment.id);
    query.agents.push_back(assignment.agent);
  }
  return query;
}

absl::StatusOr<absl::Time> PastInstant(std::string_view name, std::string_view text, absl::Time now) {
  const auto instant = kInstantFormat.parse(text);
  if (!instant) {
    return InvalidArgument("{}: expected {}, found {}", name, kInstantFormat.expected,
                           text.empty() ? "nothing" : Quoted(text));
  }
  if (*instant > now) return InvalidArgument("{}: expected an instant up to now, found {}", name, Quoted(text));
  return *instant;
}

absl::StatusOr<Interval> PastStretch(std::string_view from, std::string_view to, absl::Time now) {
  BAYWARD_ASSIGN_OR_RETURN(const absl::Time start, PastInstant("from", from, now));
  BAYWARD_ASSIGN_OR_RETURN(const absl::Time end, PastInstant("to", to, now));
  if (end <= start)
    return InvalidArgument("expected a stretch that begins before it ends; {} is not before {}", from, to);
  return Interval{start, end};
}

absl::Status CheckText(std::string_view name, std::string_view text) {
  if (kPlainTextFormat.parse(text)) return absl::OkStatus();
  return InvalidArgument("{}: expected {}, found {}", name, kPlainTextFormat.expected,
                         text.empty() ? "nothing" : Quoted(text));
}

std::vector<std::string> EventNotes(const FoundEvents& found) {
  std::vector<std::string> notes;
  if (!found.days_dropped.empty()) {
    const std::string first = absl::FormatCivilTime(found.days_dropped.front());
    const std::string last = absl::FormatCivilTime(found.days_dropped.back());
    notes.push_back(
        fmt::format("Raw events received on {} (UTC) are past their retention: of those only what a hold keeps "
                    "is shown.",
                    first == last ? first : first + " to " + last));
  }
  if (found.left_out > 0) {
    notes.push_back(fmt::format("{} further raw events are left out here.", found.left_out));
  }
  for (const MissingEvents& missing : found.missing) notes.push_back(MissingNote(missing));
  return notes;
}

}  // namespace bayward
