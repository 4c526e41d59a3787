#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/fleet_handlers.h"
#include "server/registry/parse.h"

namespace bayward {
namespace {

// A gRPC status travels as HTTP/2 metadata, of which a peer takes 8 KiB, every line feed and non-ASCII byte
// as three.
constexpr std::size_t kMessageBytesMax = 3'000;

// The first lines of a message that fit, and how many more there are.
absl::Status FirstLines(const absl::Status& status) {
  const std::string_view all = Message(status);
  if (all.size() <= kMessageBytesMax) return status;
  std::size_t end = all.rfind('\n', kMessageBytesMax);
  if (end == std::string_view::npos) return status;
  std::size_t more = 1;
  for (const char c : all.substr(end + 1)) more += c == '\n' ? 1 : 0;
  return MakeStatus(status.code(), fmt::format("{}\nand {} faults more", all.substr(0, end), more));
}

}  // namespace

absl::StatusOr<v1::DeclareFleetResponse> FleetHandlers::DeclareFleet(
    const Caller&, const v1::DeclareFleetRequest& request) const {
  if (request.files().empty()) return InvalidArgument("expected at least one declaration file, found none");
  std::vector<DeclarationFile> files;
  for (const auto& file : request.files()) files.push_back({file.name(), file.text()});
  const absl::StatusOr<Declaration> declaration = ParseDeclaration(files);
  if (!declaration.ok()) return FirstLines(declaration.status());
  absl::StatusOr<ApplyOutcome> outcome = sources_.registry.apply(
      *declaration,
      {.apply = request.apply(), .allow_drop = request.allow_drop(), .now = sources_.clock.Now()});
  if (!outcome.ok()) return FirstLines(outcome.status());
  v1::DeclareFleetResponse response;
  for (std::string& change : outcome->changes) response.add_changes(std::move(change));
  response.set_applied(outcome->applied);
  return response;
}

absl::StatusOr<v1::ExportFleetResponse> FleetHandlers::ExportFleet(const Caller&,
                                                                   const v1::ExportFleetRequest&) const {
  v1::ExportFleetResponse response;
  BAYWARD_ASSIGN_OR_RETURN(*response.mutable_text(), sources_.registry.export_text());
  return response;
}

}  // namespace bayward
