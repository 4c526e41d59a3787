#include "server/store/brief_histories.h"

#include <map>
#include <optional>
#include <string>
#include <utility>

#include "absl/container/flat_hash_map.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/store/cycle_runs.h"
#include "server/store/history_rows.h"

namespace bayward {
namespace {

using RunsOf = std::map<std::pair<MachineId, std::int32_t>, std::vector<CycleRun>>;  // by machine and assignment

// Of these and of more machines all settlements are counted rather than theirs.
constexpr std::size_t kManyMachines = 500;

absl::flat_hash_map<MachineId, std::size_t> PlacesOf(std::span<const MachineId> machines) {
  absl::flat_hash_map<MachineId, std::size_t> places;
  for (std::size_t i = 0; i < machines.size(); ++i) places[machines[i]] = i;
  return places;
}

std::string AssignmentsOf(const Fleet& fleet, std::span<const MachineId> machines) {
  std::string out = "{";
  for (const MachineId machine : machines) {
    const auto assigned = fleet.assignments_of.find(machine);
    if (assigned == fleet.assignments_of.end()) continue;
    for (const std::size_t i : assigned->second) {
      if (out.size() > 1) out += ',';
      out += std::to_string(fleet.assignments[i].id);
    }
  }
  return out + "}";
}

// `versions`: one for each machine.
void ReadVersions(pqxx::transaction_base& tx, const Fleet& fleet, std::span<const MachineId> machines,
                  std::vector<HistoryVersion>& versions) {
  versions.assign(machines.size(), {});
  const auto places = PlacesOf(machines);
  for (const auto& row : tx.exec(fmt::format(
           "SELECT m.machine_id, m.assignment_id, m.changed_xid, {} FROM machine_state m "
           "LEFT JOIN agent_watermark w USING (agent_id) WHERE m.assignment_id = ANY('{}'::int[]) ORDER BY 2",
           MicrosOf("coalesce(w.observed_until, '-infinity')"), AssignmentsOf(fleet, machines)))) {
    const auto place = places.find(MachineId{row[0].as<int>()});
    if (place == places.end()) continue;
    versions[place->second].states.push_back(
        {row[1].as<int>(), row[2].as<std::uint64_t>(), FromMicros(row[3].as<std::int64_t>())});
  }
  const std::string which = machines.size() >= kManyMachines
                                ? std::string()
                                : fmt::format("WHERE machine_id = ANY('{}'::int[]) ", ArrayOfIds(machines));
  for (const auto& row :
       tx.exec(fmt::format("SELECT machine_id, count(*) FROM settlement {}GROUP BY machine_id", which))) {
    const auto place = places.find(MachineId{row[0].as<int>()});
    if (place != places.end()) versions[place->second].settlements = row[1].as<std::int64_t>();
  }
}

absl::Status ReadRuns(pqxx::transaction_base& tx, const std::string& ids, RunsOf& runs) {
  const auto take = [&runs](const pqxx::row& row) {
    return DecodeRuns(BytesOfHex(row[2]), runs[{MachineId{row[0].as<int>()}, row[1].as<int>()}]);
  };
  for (const auto& row : tx.exec(fmt::format(
           "SELECT machine_id, assignment_id, runs FROM cycle_runs WHERE machine_id = ANY('{}'::int[])", ids))) {
    BAYWARD_RETURN_IF_ERROR(take(row));
  }
  std::string unread;
  for (const auto& row : tx.exec(fmt::format(
           "SELECT machine_id, assignment_id, cycle_runs FROM machine_state WHERE machine_id = ANY('{}'::int[])", ids))) {
    if (!row[2].is_null()) {
      BAYWARD_RETURN_IF_ERROR(take(row));
    } else {
      unread += fmt::format("{}({}, {})", unread.empty() ? "" : ", ", row[0].c_str(), row[1].c_str());
    }
  }
  if (unread.empty()) return absl::OkStatus();
  // Stored before there were runs.
  for (const auto& row : tx.exec(fmt::format(
           "SELECT machine_id, assignment_id, {}, {}, outcome, rehearsal FROM cycle "
           "WHERE (machine_id, assignment_id) IN ({}) ORDER BY finished_at",
           MicrosOf("started_at"), MicrosOf("finished_at"), unread))) {
    Cycle cycle;
    cycle.started_at = FromMicros(row[2].as<std::int64_t>());
    cycle.finished_at = FromMicros(row[3].as<std::int64_t>());
    cycle.outcome = static_cast<CycleOutcome>(row[4].as<int>());
    cycle.rehearsal = row[5].as<bool>();
    AddCycle(cycle, /*go_on=*/true, runs[{MachineId{row[0].as<int>()}, row[1].as<int>()}]);
  }
  return absl::OkStatus();
}

void ReadFirstEvents(pqxx::transaction_base& tx, std::span<const MachineId> machines,
                     std::vector<BriefHistory>& histories) {
  const auto places = PlacesOf(machines);
  for (const auto& row : tx.exec(fmt::format(
           "SELECT machine_id, {} FROM machine_state WHERE machine_id = ANY('{}'::int[])",
           MicrosOf("first_event_at"), ArrayOfIds(machines)))) {
    absl::Time& first = histories[places.at(MachineId{row[0].as<int>()})].first_event_at;
    first = std::min(first, FromMicros(row[1].as<std::int64_t>()));
  }
}

std::vector<AssignedRuns> RunsOfMachine(const Fleet& fleet, MachineId machine, RunsOf& runs) {
  std::vector<AssignedRuns> all;
  const auto assigned = fleet.assignments_of.find(machine);
  if (assigned == fleet.assignments_of.end()) return all;
  for (const std::size_t i : assigned->second) {
    const Assignment& assignment = fleet.assignments[i];
    const auto own = runs.find({machine, assignment.id});
    if (own == runs.end()) continue;
    all.push_back({assignment.id, {assignment.from, assignment.to}, std::move(own->second)});
  }
  return all;
}

}  // namespace

absl::StatusOr<std::vector<BriefHistory>> PostgresBriefHistories::Load(const Fleet& fleet,
                                                                       std::span<const MachineId> machines) {
  std::vector<BriefHistory> brief(machines.size());
  HistoryParts parts;
  SettlementsOf settlements;
  std::vector<HistoryVersion> versions;
  RunsOf runs;
  BAYWARD_RETURN_IF_ERROR(database_.Read("read histories", [&](pqxx::transaction_base& tx) {
    parts.clear();
    settlements.clear();
    runs.clear();
    HistoryRows rows(tx, machines, std::nullopt);
    rows.Spells(parts);
    rows.Modes(parts);
    rows.Observed(parts);
    rows.Voided(parts);
    rows.Settlements(settlements);
    BAYWARD_RETURN_IF_ERROR(rows.Open(parts));
    BAYWARD_RETURN_IF_ERROR(ReadRuns(tx, ArrayOfIds(machines), runs));
    ReadFirstEvents(tx, machines, brief);
    ReadVersions(tx, fleet, machines, versions);
    return absl::OkStatus();
  }));
  std::vector<MachineHistory> histories =
      PutTogether(fleet, machines, std::move(parts), std::move(settlements));
  for (std::size_t i = 0; i < machines.size(); ++i) {
    brief[i].history = std::move(histories[i]);
    brief[i].runs = RunsOfMachine(fleet, machines[i], runs);
    brief[i].version = std::move(versions[i]);
  }
  return brief;
}

absl::StatusOr<std::vector<HistoryVersion>> PostgresBriefHistories::Versions(const Fleet& fleet,
                                                                             std::span<const MachineId> machines) {
  std::vector<HistoryVersion> versions;
  BAYWARD_RETURN_IF_ERROR(database_.Read("look for changed histories", [&](pqxx::transaction_base& tx) {
    ReadVersions(tx, fleet, machines, versions);
    return absl::OkStatus();
  }));
  return versions;
}

absl::StatusOr<std::vector<std::vector<StoredCycle>>> PostgresBriefHistories::CyclesWithin(
    std::span<const CycleRange> ranges) {
  std::vector<std::vector<StoredCycle>> cycles(ranges.size());
  if (ranges.empty()) return cycles;
  std::string wanted;
  for (std::size_t i = 0; i < ranges.size(); ++i) {
    wanted += fmt::format("{}({}, {}, timestamptz '{}', timestamptz '{}')", i == 0 ? "" : ", ", i,
                          ranges[i].machine.value, ToTimestamptz(ranges[i].from), ToTimestamptz(ranges[i].to));
  }
  BAYWARD_RETURN_IF_ERROR(database_.Read("read single cycles", [&](pqxx::transaction_base& tx) {
    for (std::vector<StoredCycle>& of_range : cycles) of_range.clear();
    // A range is a few minutes or an hour: by the index, however many there are. Compiling would take longer than all of it.
    tx.exec("SET LOCAL enable_seqscan = off; SET LOCAL enable_hashjoin = off; SET LOCAL enable_mergejoin = off; "
            "SET LOCAL jit = off");
    for (const auto& row : tx.exec(fmt::format(
             "SELECT r.i, c.assignment_id, {}, {}, c.outcome, c.rehearsal FROM (VALUES {}) AS r (i, m, a, b) "
             "JOIN cycle c ON c.machine_id = r.m AND c.finished_at >= r.a AND c.finished_at <= r.b",
             MicrosOf("c.started_at"), MicrosOf("c.finished_at"), wanted))) {
      StoredCycle& stored = cycles[row[0].as<std::size_t>()].emplace_back();
      stored.assignment = row[1].as<int>();
      Cycle& cycle = stored.cycle;
      cycle.started_at = FromMicros(row[2].as<std::int64_t>());
      cycle.finished_at = FromMicros(row[3].as<std::int64_t>());
      cycle.outcome = static_cast<CycleOutcome>(row[4].as<int>());
      cycle.rehearsal = row[5].as<bool>();
    }
    return absl::OkStatus();
  }));
  return cycles;
}

}  // namespace bayward
