#include "server/cli/run.h"

#include <utility>
#include <variant>

#include "server/cli/declaration_files.h"
#include "server/cli/session.h"

namespace bayward::cli {
namespace {

int Ask(Session& session, v1::DeclareFleetRequest declaration) {
  switch (session.arguments.verb) {
    case Verb::kSites:
    case Verb::kMachines:
    case Verb::kLive:
    case Verb::kRejected:
    case Verb::kParked:
    case Verb::kDoctor:
    case Verb::kFleetCheck:
    case Verb::kFleetApply:
    case Verb::kFleetExport: return AskFleet(session, std::move(declaration));
    case Verb::kOutage:
    case Verb::kRecord:
    case Verb::kHold:
    case Verb::kRelease:
    case Verb::kHolds:
    case Verb::kSettle: return AskRecords(session);
    default: return AskFigures(session);
  }
}

}  // namespace

int Run(int argc, const char* const* argv, const Surroundings& surroundings) {
  const std::variant<Arguments, int> parsed = ParseArguments(argc, argv, surroundings.out, surroundings.err);
  if (const int* code = std::get_if<int>(&parsed)) return *code;
  const Arguments& arguments = std::get<Arguments>(parsed);
  Session session(arguments, surroundings);
  // Files first: a missing one is no reason to trouble the server.
  v1::DeclareFleetRequest declaration;
  if (!arguments.paths.empty()) {
    absl::StatusOr<v1::DeclareFleetRequest> read = ReadDeclarationFiles(arguments.paths);
    if (!read.ok()) return session.Fail(read.status());
    declaration = *std::move(read);
  }
  if (arguments.verb == Verb::kReport) return AskReport(session);
  if (const absl::Status status = session.client.Connect(); !status.ok()) {
    session.Fail(status);
    return kExitUnreachable;
  }
  return Ask(session, std::move(declaration));
}

}  // namespace bayward::cli
