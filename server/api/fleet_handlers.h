// Answers the Fleet service from the live snapshot, the registry and the held events. Handlers are const and
// may run on several threads at once.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "bayward/v1/fleet.pb.h"
#include "proto/common/clock.h"
#include "server/api/caller.h"
#include "server/api/method_table.h"
#include "server/live/live_fleet.h"
#include "server/registry/declaration.h"
#include "server/store/held_event_store.h"
#include "server/store/registry_store.h"

namespace bayward {

// What the handlers need of the registry.
struct FleetRegistry {
  std::function<absl::StatusOr<ApplyOutcome>(const Declaration&, const ApplyOptions&)> apply;
  std::function<absl::StatusOr<std::string>()> export_text;
};
FleetRegistry RegistryOf(RegistryStore& store);  // `store` outlives it

using DiagnosisCheck = v1::DiagnoseResponse::Check;

// What the server knows of itself, asked anew at each diagnosis; empty functions are left out.
struct Diagnostics {
  std::vector<std::function<std::vector<DiagnosisCheck>()>> checks;
  std::function<std::uint32_t()> schema_version;
  std::function<std::vector<std::string>()> configuration;  // "key = value (origin)", secrets masked
};

// All outlive the handlers.
struct FleetSources {
  const LiveFleet& live;
  FleetRegistry registry;
  HeldEventStore& held_events;
  const Clock& clock;
  Diagnostics diagnostics;
};

class FleetHandlers {
 public:
  explicit FleetHandlers(FleetSources sources) : sources_(std::move(sources)) {}

  // NotFound for a scope that names what there is not. Rows by site key or machine name.
  absl::StatusOr<v1::ListSitesResponse> ListSites(const Caller& caller,
                                                  const v1::ListSitesRequest& request) const;
  absl::StatusOr<v1::ListMachinesResponse> ListMachines(const Caller& caller,
                                                        const v1::ListMachinesRequest& request) const;
  absl::StatusOr<v1::GetLiveResponse> GetLive(const Caller& caller, const v1::GetLiveRequest& request) const;

  // InvalidArgument with a line for each fault of the files (many: the first of them and how many more).
  absl::StatusOr<v1::DeclareFleetResponse> DeclareFleet(const Caller& caller,
                                                        const v1::DeclareFleetRequest& request) const;
  absl::StatusOr<v1::ExportFleetResponse> ExportFleet(const Caller& caller,
                                                      const v1::ExportFleetRequest& request) const;

  // Newest first. Held events carry whatever machine name the agent sent, so the scope may name regions and
  // sites only: InvalidArgument otherwise, and for more than 1,000 rows.
  absl::StatusOr<v1::ListRejectedEventsResponse> ListRejectedEvents(
      const Caller& caller, const v1::ListRejectedEventsRequest& request) const;
  absl::StatusOr<v1::ListParkedEventsResponse> ListParkedEvents(
      const Caller& caller, const v1::ListParkedEventsRequest& request) const;

  absl::StatusOr<v1::DiagnoseResponse> Diagnose(const Caller& caller,
                                                const v1::DiagnoseRequest& request) const;

 private:
  FleetSources sources_;
};

// `handlers` outlives `methods`.
absl::Status AddFleetMethods(const FleetHandlers& handlers, MethodTable& methods);

}  // namespace bayward
