#include "server/api/fleet_handlers.h"

#include <algorithm>
#include <memory>
#include <utility>

#include "proto/common/status.h"
#include "server/api/agent_checks.h"
#include "server/api/live_rows.h"
#include "server/api/scope.h"
#include "server/api/window.h"

namespace bayward {
namespace {

absl::StatusOr<std::shared_ptr<const LiveSnapshot>> SnapshotOf(const LiveFleet& live) {
  std::shared_ptr<const LiveSnapshot> snapshot = live.Current();
  if (snapshot == nullptr || snapshot->fleet == nullptr) {
    return Unavailable("the live fleet has not been read yet; ask again in a moment");
  }
  return snapshot;
}

// The agent that watches the machine now, or "".
std::string AgentOf(const Fleet& fleet, const Machine& machine, absl::Time now) {
  const auto assigned = fleet.assignments_of.find(machine.id);
  if (assigned == fleet.assignments_of.end()) return "";
  for (const std::size_t i : assigned->second) {
    const Assignment& assignment = fleet.assignments[i];
    if (now < assignment.from || assignment.to <= now) continue;
    if (const Agent* agent = fleet.FindAgent(assignment.agent)) return agent->key;
  }
  return "";
}

std::string DateOrNothing(absl::CivilDay day) {
  return day == absl::CivilDay::min() || day == absl::CivilDay::max() ? "" : absl::FormatCivilTime(day);
}

v1::MachineRow MakeMachineRow(const Fleet& fleet, const Machine& machine, absl::Time now) {
  v1::MachineRow row;
  row.set_machine(machine.full_name);
  row.set_name(machine.name);
  row.set_kind(machine.kind);
  if (const Site* site = fleet.FindSite(machine.site)) row.set_region(site->region);
  row.set_agent(AgentOf(fleet, machine, now));
  for (const MachineId id : machine.depends_on) {
    if (const Machine* plant = fleet.FindMachine(id)) row.add_depends_on(plant->full_name);
  }
  row.set_in_service_from(DateOrNothing(machine.calendar.in_service_from));
  row.set_retired_at(DateOrNothing(machine.calendar.retired_at));
  return row;
}

}  // namespace

FleetRegistry RegistryOf(RegistryStore& store) {
  return {[&store](const Declaration& declaration, const ApplyOptions& options) {
            return store.Apply(declaration, options);
          },
          [&store] { return store.Export(); }};
}

absl::StatusOr<v1::ListSitesResponse> FleetHandlers::ListSites(const Caller&,
                                                               const v1::ListSitesRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const auto snapshot, SnapshotOf(sources_.live));
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*snapshot->fleet, request.scope()));
  const absl::Time now = sources_.clock.Now();
  v1::ListSitesResponse response;
  for (const Site* site : selection.sites) {
    v1::SiteRow& row = *response.add_sites();
    row.set_site(site->key);
    row.set_name(site->name);
    row.set_region(site->region);
    row.set_time_zone(ZoneAt(site->calendar, now).name);
    for (v1::AgentRow& agent : AgentRows(*snapshot, site->id)) *row.add_agents() = std::move(agent);
    for (const Machine* machine : selection.machines) {
      if (machine->site != site->id) continue;
      row.set_machines(row.machines() + 1);
      const LiveMachine* live = FindLive(*snapshot, machine->id);
      if (live != nullptr && live->now.condition == Condition::kDown)
        row.set_machines_down(row.machines_down() + 1);
    }
  }
  return response;
}

absl::StatusOr<v1::ListMachinesResponse> FleetHandlers::ListMachines(
    const Caller&, const v1::ListMachinesRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const auto snapshot, SnapshotOf(sources_.live));
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*snapshot->fleet, request.scope()));
  const absl::Time now = sources_.clock.Now();
  v1::ListMachinesResponse response;
  for (const Machine* machine : selection.machines) {
    *response.add_machines() = MakeMachineRow(*snapshot->fleet, *machine, now);
  }
  return response;
}

absl::StatusOr<v1::GetLiveResponse> FleetHandlers::GetLive(const Caller&,
                                                           const v1::GetLiveRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const auto snapshot, SnapshotOf(sources_.live));
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*snapshot->fleet, request.scope()));
  v1::GetLiveResponse response;
  for (const Machine* machine : selection.machines) {
    *response.add_machines() = MakeLiveRow(*snapshot, *machine, snapshot->as_of);
  }
  response.set_as_of_us(absl::ToUnixMicros(snapshot->as_of));
  return response;
}

absl::StatusOr<v1::DiagnoseResponse> FleetHandlers::Diagnose(const Caller&,
                                                             const v1::DiagnoseRequest&) const {
  v1::DiagnoseResponse response;
  response.set_server_version(BAYWARD_VERSION);
  const Diagnostics& diagnostics = sources_.diagnostics;
  if (diagnostics.schema_version) response.set_schema_version(diagnostics.schema_version());
  if (diagnostics.configuration) {
    for (std::string& line : diagnostics.configuration()) response.add_configuration(std::move(line));
  }
  for (const auto& provider : diagnostics.checks) {
    for (DiagnosisCheck& check : provider()) *response.add_checks() = std::move(check);
  }
  BAYWARD_ASSIGN_OR_RETURN(const auto snapshot, SnapshotOf(sources_.live));
  for (DiagnosisCheck& check : CheckAgents(*snapshot, sources_.clock.Now(), BAYWARD_VERSION)) {
    *response.add_checks() = std::move(check);
  }
  for (v1::AgentRow& agent : AgentRows(*snapshot, SiteId{})) *response.add_agents() = std::move(agent);
  return response;
}

}  // namespace bayward
