#include <string>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/session.h"

namespace bayward::cli {
namespace {

template <class Request>
Request AboutMachine(const Session& session) {
  Request request;
  request.set_machine(session.arguments.machine);
  request.set_at(session.arguments.at);
  return request;
}

int Hold(Session& session) {
  v1::HoldRecordRequest request;
  request.set_machine(session.arguments.machine);
  request.set_from(session.arguments.window.from());
  request.set_to(session.arguments.window.to());
  request.set_by(session.arguments.signed_by);
  request.set_reason(session.arguments.reason);
  request.set_reference(session.arguments.reference);
  request.set_release(session.arguments.hold);
  return session.Show(&v1::Records::Stub::HoldRecord, request, [&](const v1::HoldRecordResponse& response) {
    if (session.arguments.hold != 0) return fmt::format("Hold {} is released.\n", response.hold());
    return fmt::format("Hold {} keeps {} events.\n", response.hold(), response.events()) + NotesText(response.notes());
  });
}

int Settle(Session& session) {
  v1::SettleUnknownRequest request;
  request.set_machine(session.arguments.machine);
  request.set_from(session.arguments.window.from());
  request.set_to(session.arguments.window.to());
  request.set_as(session.arguments.settle_as);
  request.set_by(session.arguments.signed_by);
  request.set_reason(session.arguments.reason);
  return session.Show(&v1::Records::Stub::SettleUnknown, request, [&](const v1::SettleUnknownResponse& response) {
    return fmt::format("{} of unknown time settled as {}.\n",
                       ReadableDuration(absl::Seconds(response.unknown_seconds())), session.arguments.settle_as) +
           NotesText(response.notes());
  });
}

}  // namespace

int AskRecords(Session& session) {
  switch (session.arguments.verb) {
    case Verb::kOutage:
      return session.Show(&v1::Records::Stub::GetOutage, AboutMachine<v1::GetOutageRequest>(session),
                          session.Timed(RenderOutage));
    case Verb::kRecord:
      return session.Show(&v1::Records::Stub::GetWashRecord, AboutMachine<v1::GetWashRecordRequest>(session),
                          session.Timed(RenderWashRecord));
    case Verb::kHold:
    case Verb::kRelease: return Hold(session);
    case Verb::kHolds:
      return session.Show(&v1::Records::Stub::ListHolds, session.Scoped<v1::ListHoldsRequest>(),
                          session.Timed(RenderHolds));
    case Verb::kSettle: return Settle(session);
    default: return kExitUsageFault;
  }
}

}  // namespace bayward::cli
