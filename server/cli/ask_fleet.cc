#include <istream>
#include <string>
#include <utility>

#include "proto/common/status.h"
#include "server/cli/declaration_files.h"
#include "server/cli/doctor.h"
#include "server/cli/render.h"
#include "server/cli/session.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

constexpr std::uint32_t kBundleHeldMax = 200;

absl::Status WriteBundle(Session& session, const v1::DiagnoseResponse& diagnosis) {
  BundleParts parts;
  parts.made_at = absl::FormatTime(absl::RFC3339_sec, session.at.clock.Now(), absl::UTCTimeZone());
  parts.server = session.arguments.server;
  parts.diagnosis = diagnosis;
  BAYWARD_ASSIGN_OR_RETURN(parts.live, session.client.Call(&v1::Fleet::Stub::GetLive, v1::GetLiveRequest()));
  v1::ListRejectedEventsRequest rejected;
  rejected.set_rows_max(kBundleHeldMax);
  BAYWARD_ASSIGN_OR_RETURN(parts.rejected, session.client.Call(&v1::Fleet::Stub::ListRejectedEvents, rejected));
  v1::ListParkedEventsRequest parked;
  parked.set_rows_max(kBundleHeldMax);
  BAYWARD_ASSIGN_OR_RETURN(parts.parked, session.client.Call(&v1::Fleet::Stub::ListParkedEvents, parked));
  return WriteNewFile(session.arguments.bundle, MakeBundle(std::move(parts)));
}

int Examine(Session& session) {
  const auto diagnosis = session.client.Call(&v1::Fleet::Stub::Diagnose, v1::DiagnoseRequest());
  if (!diagnosis.ok()) return session.Fail(diagnosis.status());
  session.at.out << (session.arguments.json ? JsonText(*diagnosis) : RenderDiagnosis(*diagnosis, session.time));
  if (!session.arguments.bundle.empty()) {
    const absl::Status written = WriteBundle(session, *diagnosis);
    if (!written.ok()) return session.Fail(written);
    session.at.err << "bayward: wrote " << session.arguments.bundle << "; read it before you send it\n";
  }
  return IsAllGood(*diagnosis) ? kExitGood : kExitAttention;
}

std::string RenderChanges(const v1::DeclareFleetResponse& response) {
  if (response.changes().empty()) return "Nothing changes.\n";
  std::string out;
  for (const std::string& change : response.changes()) out += Printable(change) + "\n";
  return out + std::to_string(response.changes_size()) +
         (response.changes_size() == 1 ? " change.\n" : " changes.\n");
}

bool Confirmed(Session& session) {
  session.at.err << "Apply these changes? [yes/no] " << std::flush;
  std::string answer;
  std::getline(session.at.in, answer);
  return answer == "yes" || answer == "y";
}

int CheckFleet(Session& session, const v1::DeclareFleetRequest& declaration) {
  return session.Show(&v1::Fleet::Stub::DeclareFleet, declaration,
                      [](const v1::DeclareFleetResponse& response) { return RenderChanges(response); });
}

int ApplyFleet(Session& session, v1::DeclareFleetRequest declaration) {
  declaration.set_allow_drop(session.arguments.allow_drop);
  const auto checked = session.client.Call(&v1::Fleet::Stub::DeclareFleet, declaration);
  if (!checked.ok()) return session.Fail(checked.status());
  // With --json standard output carries the last answer and nothing else.
  (session.arguments.json ? session.at.err : session.at.out) << RenderChanges(*checked);
  if (!checked->changes().empty() && !session.arguments.yes && !Confirmed(session)) {
    session.at.err << "bayward: nothing was changed; answer \"yes\" or give --yes to go ahead\n";
    return kExitAttention;
  }
  declaration.set_apply(true);
  const auto applied = session.client.Call(&v1::Fleet::Stub::DeclareFleet, declaration);
  if (!applied.ok()) return session.Fail(applied.status());
  if (session.arguments.json) {
    session.at.out << JsonText(*applied);
  } else if (applied->applied()) {
    session.at.out << "Applied.\n";
  }
  return kExitGood;
}

template <class Request>
Request Listed(const Session& session) {
  Request request = session.Scoped<Request>();
  request.set_rows_max(session.arguments.rows);
  return request;
}

}  // namespace

int AskFleet(Session& session, v1::DeclareFleetRequest declaration) {
  switch (session.arguments.verb) {
    case Verb::kSites:
      return session.Show(&v1::Fleet::Stub::ListSites, session.Scoped<v1::ListSitesRequest>(), RenderSites);
    case Verb::kMachines:
      return session.Show(&v1::Fleet::Stub::ListMachines, session.Scoped<v1::ListMachinesRequest>(), RenderMachines);
    case Verb::kLive:
      return session.Show(&v1::Fleet::Stub::GetLive, session.Scoped<v1::GetLiveRequest>(), session.Timed(RenderLive));
    case Verb::kRejected:
      return session.Show(&v1::Fleet::Stub::ListRejectedEvents, Listed<v1::ListRejectedEventsRequest>(session),
                          session.Timed(RenderRejected));
    case Verb::kParked:
      return session.Show(&v1::Fleet::Stub::ListParkedEvents, Listed<v1::ListParkedEventsRequest>(session),
                          session.Timed(RenderParked));
    case Verb::kDoctor: return Examine(session);
    case Verb::kFleetCheck: return CheckFleet(session, declaration);
    case Verb::kFleetApply: return ApplyFleet(session, std::move(declaration));
    case Verb::kFleetExport:
      return session.Show(&v1::Fleet::Stub::ExportFleet, v1::ExportFleetRequest(),
                          [](const v1::ExportFleetResponse& response) { return response.text(); });
    default: return kExitUsageFault;
  }
}

}  // namespace bayward::cli
