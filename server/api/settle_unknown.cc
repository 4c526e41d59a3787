#include <string>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/availability_rows.h"
#include "server/api/record_handlers.h"
#include "server/api/record_question.h"
#include "server/api/scope.h"

namespace bayward {
namespace {

absl::StatusOr<Condition> ReadAs(const std::string& as) {
  if (as == "up") return Condition::kUp;
  if (as == "down") return Condition::kDown;
  if (as == "withheld") return Condition::kWithheld;
  return InvalidArgument("as: expected up, down or withheld, found {}", as.empty() ? "nothing" : Quoted(as));
}

std::vector<std::string> SettlementNotes(const TimeAccount& account) {
  std::vector<std::string> notes;
  if (account.settled() > absl::ZeroDuration()) {
    notes.push_back(fmt::format("{} of it had been settled before; this decision takes its place.",
                                HoursText(account.settled())));
  }
  if (account.unknown_pending > absl::ZeroDuration()) {
    notes.push_back(fmt::format("{} of it may still be delivered; what is delivered then counts, not this decision.",
                                HoursText(account.unknown_pending)));
  }
  notes.push_back("Kept for good. Figures use it and show beside it what they are without it.");
  return notes;
}

}  // namespace

absl::StatusOr<v1::SettleUnknownResponse> RecordHandlers::SettleUnknown(
    const Caller&, const v1::SettleUnknownRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const RecordQuestion question, AskRecord(sources_, request.machine()));
  BAYWARD_ASSIGN_OR_RETURN(const Interval stretch, PastStretch(request.from(), request.to(), question.now));
  BAYWARD_ASSIGN_OR_RETURN(const Condition as, ReadAs(request.as()));
  BAYWARD_RETURN_IF_ERROR(CheckText("by", request.by()));
  BAYWARD_RETURN_IF_ERROR(CheckText("reason", request.reason()));
  BAYWARD_ASSIGN_OR_RETURN(const auto timeline, ReadTimeline(sources_, question, stretch.start));
  TimeAccount account;
  AddConditions(timeline->conditions, stretch, account);
  // What was settled before was unknown too: a later decision takes the place of an earlier one.
  const absl::Duration unknown = account.unknown() + account.settled();
  if (unknown == absl::ZeroDuration()) {
    return FailedPrecondition("nothing to settle: no required time of {} from {} to {} is unknown", request.machine(),
                              request.from(), request.to());
  }
  BAYWARD_RETURN_IF_ERROR(sources_.settlements.Add({.site = question.machine->site,
                                                    .machine = question.machine->id,
                                                    .interval = stretch,
                                                    .as = as,
                                                    .by = request.by(),
                                                    .reason = request.reason()}));
  v1::SettleUnknownResponse response;
  response.set_unknown_seconds(absl::ToDoubleSeconds(unknown));
  for (std::string& note : SettlementNotes(account)) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
