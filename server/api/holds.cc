#include <memory>
#include <vector>

#include "proto/common/status.h"
#include "server/api/record_handlers.h"
#include "server/api/record_question.h"
#include "server/api/record_rows.h"
#include "server/api/scope.h"

namespace bayward {
namespace {

// A hold is of what happened around a wash or an outage, not of all there is.
constexpr int kHoldDaysMax = 92;

v1::HoldRecordResponse Kept(const Hold& hold) {
  v1::HoldRecordResponse response;
  response.set_hold(hold.id);
  response.set_events(hold.events);
  return response;
}

absl::Status CheckSigned(const v1::HoldRecordRequest& request) {
  BAYWARD_RETURN_IF_ERROR(CheckText("by", request.by()));
  return CheckText("reason", request.reason());
}

absl::Status CheckRelease(const v1::HoldRecordRequest& request) {
  if (request.machine().empty() && request.from().empty() && request.to().empty() && request.reference().empty()) {
    return CheckSigned(request);
  }
  return InvalidArgument("release: expected nothing but the hold's number, by and reason beside it");
}

}  // namespace

absl::StatusOr<v1::HoldRecordResponse> RecordHandlers::HoldRecord(const Caller&,
                                                                  const v1::HoldRecordRequest& request) const {
  if (request.release() != 0) {
    BAYWARD_RETURN_IF_ERROR(CheckRelease(request));
    BAYWARD_ASSIGN_OR_RETURN(const Hold released,
                             sources_.holds.Release(request.release(), request.by(), request.reason()));
    return Kept(released);
  }
  BAYWARD_ASSIGN_OR_RETURN(const RecordQuestion question, AskRecord(sources_, request.machine()));
  BAYWARD_ASSIGN_OR_RETURN(const Interval stretch, PastStretch(request.from(), request.to(), question.now));
  if (stretch.length() > absl::Hours(24) * kHoldDaysMax) {
    return InvalidArgument("expected a stretch of at most {} days, found {:.1f}", kHoldDaysMax,
                           absl::ToDoubleHours(stretch.length()) / 24);
  }
  BAYWARD_RETURN_IF_ERROR(CheckSigned(request));
  if (!request.reference().empty()) BAYWARD_RETURN_IF_ERROR(CheckText("reference", request.reference()));
  NewHold hold{.site = question.machine->site,
               .events = EventsOf(question, stretch),
               .by = request.by(),
               .reason = request.reason(),
               .reference = request.reference()};
  hold.events.rehearsal = true;  // what was delivered, whatever counts
  BAYWARD_ASSIGN_OR_RETURN(const Hold added, sources_.holds.Add(hold));
  v1::HoldRecordResponse response = Kept(added);
  if (added.events == 0) {
    response.add_notes(
        "No raw event of this stretch is left: what there was has been dropped already, or was never delivered. What "
        "is delivered later is kept.");
  }
  return response;
}

absl::StatusOr<v1::ListHoldsResponse> RecordHandlers::ListHolds(const Caller&,
                                                                const v1::ListHoldsRequest& request) const {
  const std::shared_ptr<const Fleet> fleet = sources_.fleet();
  if (fleet == nullptr) return Unavailable("the declared fleet has not been read yet; ask again in a moment");
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*fleet, request.scope()));
  std::vector<MachineId> machines;
  for (const Machine* machine : selection.machines) machines.push_back(machine->id);
  BAYWARD_ASSIGN_OR_RETURN(const std::vector<Hold> holds, sources_.holds.List(machines));
  v1::ListHoldsResponse response;
  for (const Hold& hold : holds) {
    v1::HoldRow& row = *response.add_holds();
    row.set_hold(hold.id);
    row.set_machine(fleet->FindMachine(hold.machine)->full_name);
    row.set_from_us(absl::ToUnixMicros(hold.interval.start));
    row.set_to_us(absl::ToUnixMicros(hold.interval.end));
    row.set_by(hold.by);
    row.set_reason(hold.reason);
    row.set_reference(hold.reference);
    row.set_recorded_us(absl::ToUnixMicros(hold.recorded_at));
    row.set_released_us(MicrosOrZero(hold.released_at));
    row.set_events(hold.events);
  }
  return response;
}

}  // namespace bayward
