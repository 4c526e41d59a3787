#include "server/metrics/fleet_metrics.h"

#include <array>
#include <map>
#include <string_view>
#include <vector>

#include "proto/common/fault_traits.h"
#include "server/metrics/time_value.h"

namespace bayward {
namespace {

struct MachineRow {
  LabelText labels;
  const LiveMachine* live;
  const Machine* machine;
  const Site* site;
};

struct AgentRow {
  LabelText labels;
  const LiveAgent* live;
  const Agent* agent;
  const Site* site;
};

std::vector<MachineRow> MachineRows(const LiveSnapshot& snapshot) {
  std::vector<MachineRow> rows;
  rows.reserve(snapshot.machines.size());
  for (const LiveMachine& live : snapshot.machines) {
    const Machine* machine = snapshot.fleet->FindMachine(live.id);
    const Site* site = machine == nullptr ? nullptr : snapshot.fleet->FindSite(machine->site);
    if (site == nullptr) continue;
    rows.push_back(
        {MakeLabels({{"site", site->key}, {"machine", machine->full_name}}), &live, machine, site});
  }
  return rows;
}

std::vector<AgentRow> AgentRows(const LiveSnapshot& snapshot) {
  std::vector<AgentRow> rows;
  rows.reserve(snapshot.agents.size());
  for (const LiveAgent& live : snapshot.agents) {
    const Agent* agent = snapshot.fleet->FindAgent(live.id);
    const Site* site = agent == nullptr ? nullptr : snapshot.fleet->FindSite(agent->site);
    if (site == nullptr) continue;
    rows.push_back({MakeLabels({{"site", site->key}, {"agent", agent->key}}), &live, agent, site});
  }
  return rows;
}

void AddCondition(const MachineRow& row, SeriesWriter& out) {
  const auto is = [&row](Condition condition) { return row.live->now.condition == condition ? 1.0 : 0.0; };
  const SeriesWriter::State states[] = {
      {"up", is(Condition::kUp)},           {"degraded", is(Condition::kDegraded)},
      {"down", is(Condition::kDown)},       {"withheld", is(Condition::kWithheld)},
      {"unknown", is(Condition::kUnknown)}, {"not_required", is(Condition::kNotRequired)}};
  out.AddStates(row.labels, "condition", states);
}

void AddConditionSeconds(const MachineRow& row, SeriesWriter& out) {
  const SeenSeconds& seen = row.live->seen;
  const SeriesWriter::State states[] = {{"up", seen.up},
                                        {"degraded", seen.degraded},
                                        {"down", seen.down},
                                        {"withheld", seen.withheld},
                                        {"unknown", seen.unknown}};
  out.AddStates(row.labels, "condition", states);
}

void AddCycles(const MachineRow& row, SeriesWriter& out) {
  const SeriesWriter::State states[] = {{"completed", static_cast<double>(row.live->cycles_completed)},
                                        {"aborted", static_cast<double>(row.live->cycles_aborted)}};
  out.AddStates(row.labels, "outcome", states);
}

bool Counts(const Spell& spell, const Fleet& fleet) { return fleet.demonstration || !spell.rehearsal; }

double OpenBlocking(const LiveMachine& live, const Fleet& fleet) {
  double count = 0;
  for (const Spell& spell : live.state.spells) {
    if (spell.effect == Effect::kBlocking && Counts(spell, fleet)) ++count;
  }
  return count;
}

// Every class this server knows, the absent ones as 0, so that a rule may compare without asking whether it
// exists.
void AddOpenFaults(const std::vector<MachineRow>& rows, const Fleet& fleet, SeriesWriter& out) {
  std::map<int, double> open;
  double not_known = 0;
  for (const FaultClassInfo& info : FaultClasses()) open[info.number] = 0;
  for (const MachineRow& row : rows) {
    for (const Spell& spell : row.live->state.spells) {
      if (!Counts(spell, fleet)) continue;
      const auto found = open.find(spell.fault_class);
      ++(found == open.end() ? not_known : found->second);
    }
  }
  out.Begin(kOpenFaults);
  for (const auto& [number, count] : open)
    out.Add(MakeLabels({{"fault_class", FaultClassName(number)}}), count);
  out.Add(MakeLabels({{"fault_class", "not_known_here"}}), not_known);
}

void WriteMachines(const std::vector<MachineRow>& rows, const Fleet& fleet, SeriesWriter& out) {
  const auto each = [&rows, &out](const MetricInfo& metric, auto add) {
    out.Begin(metric);
    for (const MachineRow& row : rows) add(row);
  };
  each(kMachineCondition, [&out](const MachineRow& row) { AddCondition(row, out); });
  each(kMachineOpenBlockingFaults,
       [&](const MachineRow& row) { out.Add(row.labels, OpenBlocking(*row.live, fleet)); });
  AddOpenFaults(rows, fleet, out);
  each(kMachineSince, [&out](const MachineRow& row) {
    if (row.live->now.since > absl::InfinitePast()) out.Add(row.labels, UnixSeconds(row.live->now.since));
  });
  each(kMachineRequired, [&out](const MachineRow& row) { out.Add(row.labels, row.live->seen.required); });
  each(kMachineConditionSeconds, [&out](const MachineRow& row) { AddConditionSeconds(row, out); });
  each(kMachineCycles, [&out](const MachineRow& row) { AddCycles(row, out); });
  each(kMachineInfo, [&out](const MachineRow& row) {
    out.Add(row.labels + "," + MakeLabels({{"kind", row.machine->kind}, {"region", row.site->region}}), 1);
  });
}

double WatermarkLag(const LiveAgent& live) {
  return live.last_recorded > live.watermark ? static_cast<double>(live.last_recorded - live.watermark) : 0;
}

void WriteAgents(const std::vector<AgentRow>& rows, SeriesWriter& out) {
  const auto each = [&rows, &out](const MetricInfo& metric, auto value) {
    out.Begin(metric);
    for (const AgentRow& row : rows) out.Add(row.labels, static_cast<double>(value(*row.live)));
  };
  each(kAgentConnected, [](const LiveAgent& live) { return live.connected ? 1 : 0; });
  out.Begin(kAgentLastSeen);
  for (const AgentRow& row : rows) {
    if (row.live->last_seen > absl::InfinitePast()) out.Add(row.labels, UnixSeconds(row.live->last_seen));
  }
  each(kAgentSpoolEvents, [](const LiveAgent& live) { return live.backlog_events; });
  each(kAgentSpoolBytes, [](const LiveAgent& live) { return live.spool_bytes; });
  each(kAgentSpoolLimit, [](const LiveAgent& live) { return live.spool_bytes_max; });
  each(kAgentWatermarkLag, WatermarkLag);
  each(kAgentDropped, [](const LiveAgent& live) { return live.dropped_events; });
  each(kAgentClockOffset, [](const LiveAgent& live) { return absl::ToDoubleSeconds(live.clock_offset); });
  out.Begin(kAgentInfo);
  for (const AgentRow& row : rows)
    out.Add(row.labels + "," + MakeLabels({{"version", row.live->version}}), 1);
}

}  // namespace

void WriteFleetMetrics(const LiveSnapshot& snapshot, SeriesWriter& out) {
  WriteAgents(AgentRows(snapshot), out);
  WriteMachines(MachineRows(snapshot), *snapshot.fleet, out);
}

}  // namespace bayward
