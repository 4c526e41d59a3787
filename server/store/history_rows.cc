#include "server/store/history_rows.h"

#include <algorithm>

#include "absl/strings/escaping.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/store/state_codec.h"
#include "server/timeline/fold.h"

namespace bayward {
namespace {

std::string ProvenanceColumns() {
  return MicrosOf("first_received_at") + ", " + MicrosOf("last_received_at") +
         ", first_sequence, last_sequence, first_epoch_id, last_epoch_id";
}

Provenance ReadProvenance(const pqxx::row& row, int at) {
  const auto column = [&](int i) { return row[static_cast<pqxx::row::size_type>(at + i)]; };
  return {{{column(4).as<int>()}, column(2).as<std::uint64_t>()},
          {{column(5).as<int>()}, column(3).as<std::uint64_t>()},
          FromMicros(column(0).as<std::int64_t>()),
          FromMicros(column(1).as<std::int64_t>())};
}

absl::Time Time(const pqxx::row& row, int column) {
  return FromMicros(row[static_cast<pqxx::row::size_type>(column)].as<std::int64_t>());
}

AssignmentHistory& PartOf(HistoryParts& parts, const pqxx::row& row) {
  return parts[{MachineId{row[0].as<int>()}, row[1].as<int>()}];
}

}  // namespace

HistoryRows::HistoryRows(pqxx::transaction_base& tx, std::span<const MachineId> machines,
                         std::optional<Interval> extent)
    : tx_(tx), ids_(ArrayOfIds(machines)), extent_(extent) {}

void HistoryRows::Spells(HistoryParts& parts) {
  for (const auto& row : Select("spell", "raised_at", "cleared_at",
                                fmt::format("ended = {}", static_cast<int>(SpellEnd::kHandedOver)),
                                "fault_class, priority, further_raises, effect, origin, ended, began_unobserved, "
                                "rehearsal, raw_code, raw_text, " + ProvenanceColumns())) {
    Spell& spell = PartOf(parts, row).recorded.spells.emplace_back();
    spell.raised_at = Time(row, 2);
    spell.cleared_at = Time(row, 3);
    spell.fault_class = row[4].as<int>();
    spell.priority = row[5].as<std::uint32_t>();
    spell.further_raises = row[6].as<std::uint32_t>();
    spell.effect = static_cast<Effect>(row[7].as<int>());
    spell.origin = static_cast<Origin>(row[8].as<int>());
    spell.end = static_cast<SpellEnd>(row[9].as<int>());
    spell.began_unobserved = row[10].as<bool>();
    spell.rehearsal = row[11].as<bool>();
    spell.raw_code = row[12].c_str();
    spell.raw_text = row[13].c_str();
    spell.provenance = ReadProvenance(row, 14);
  }
}

void HistoryRows::Modes(HistoryParts& parts) {
  for (const auto& row : Select("mode_span", "from_at", "to_at", "handed_over",
                                "mode, reason, rehearsal, handed_over, " + ProvenanceColumns())) {
    ModeSpan& mode = PartOf(parts, row).recorded.modes.emplace_back();
    mode.from = Time(row, 2);
    mode.to = Time(row, 3);
    mode.mode = static_cast<Mode>(row[4].as<int>());
    mode.reason = static_cast<ModeReason>(row[5].as<int>());
    mode.rehearsal = row[6].as<bool>();
    mode.handed_over = row[7].as<bool>();
    mode.provenance = ReadProvenance(row, 8);
  }
}

void HistoryRows::Observed(HistoryParts& parts) {
  for (const auto& row : Select("observed_span", "from_at", "to_at", "false",
                                "loss_reason, rehearsal, " + ProvenanceColumns())) {
    ObservedSpan& span = PartOf(parts, row).recorded.observed.emplace_back();
    span.from = Time(row, 2);
    span.to = Time(row, 3);
    span.loss_reason = static_cast<std::uint8_t>(row[4].as<int>());
    span.rehearsal = row[5].as<bool>();
    span.provenance = ReadProvenance(row, 6);
  }
}

void HistoryRows::Voided(HistoryParts& parts) {
  for (const auto& row : Select("voided_span", "from_at", "to_at", "false", "1")) {
    PartOf(parts, row).recorded.voided.push_back({Time(row, 2), Time(row, 3)});
  }
}

void HistoryRows::Cycles(HistoryParts& parts) {
  for (const auto& row : Select("cycle", "started_at", "finished_at", "false",
                                "outcome, abort_cause, sold_as, paid_by, rehearsal, cycle, programme")) {
    Cycle& cycle = PartOf(parts, row).recorded.cycles.emplace_back();
    cycle.started_at = Time(row, 2);
    cycle.finished_at = Time(row, 3);
    cycle.outcome = static_cast<CycleOutcome>(row[4].as<int>());
    cycle.abort_cause = row[5].as<int>();
    cycle.sold_as = static_cast<std::uint8_t>(row[6].as<int>());
    cycle.paid_by = static_cast<std::uint8_t>(row[7].as<int>());
    cycle.rehearsal = row[8].as<bool>();
    cycle.cycle = row[9].c_str();
    cycle.programme = row[10].c_str();
  }
}

absl::Status HistoryRows::Open(HistoryParts& parts) {
  for (const auto& row : tx_.exec(fmt::format(
           "SELECT m.machine_id, m.assignment_id, m.state, {} FROM machine_state m LEFT JOIN agent_watermark w USING "
           "(agent_id) WHERE m.machine_id = ANY('{}'::int[])",
           MicrosOf("coalesce(w.observed_until, '-infinity')"), ids_))) {
    AssignmentHistory& part = PartOf(parts, row);
    BAYWARD_ASSIGN_OR_RETURN(const MachineState state, DecodeState(BytesOfHex(row[2])));
    AppendOpen(state, part.recorded);
    part.first_snapshot = state.first_snapshot;
    part.recorded.observed_until = FromMicros(row[3].as<std::int64_t>());
  }
  return absl::OkStatus();
}

void HistoryRows::Settlements(SettlementsOf& settlements) {
  for (const auto& row : tx_.exec(fmt::format(
           "SELECT machine_id, 0, {}, {}, as_condition, {} FROM settlement WHERE machine_id = ANY('{}'::int[]) "
           "ORDER BY recorded_at", MicrosOf("from_at"), MicrosOf("to_at"), MicrosOf("recorded_at"), ids_))) {
    settlements[MachineId{row[0].as<int>()}].push_back(
        {{Time(row, 2), Time(row, 3)}, static_cast<Condition>(row[4].as<int>()), Time(row, 5)});
  }
}

pqxx::result HistoryRows::Select(const char* table, const char* from, const char* to, const std::string& may_go_on,
                                 const std::string& columns) {
  std::string select = fmt::format("SELECT machine_id, assignment_id, {}, {}, {} FROM {} WHERE machine_id = ANY('{}'::int[])",
                                   MicrosOf(from), MicrosOf(to), columns, table, ids_);
  if (extent_) {
    select += fmt::format(" AND ({} >= '{}' OR {}) AND {} <= '{}'", to, ToTimestamptz(extent_->start), may_go_on, from,
                          ToTimestamptz(extent_->end));
  }
  return tx_.exec(select);
}

std::string ArrayOfIds(std::span<const MachineId> machines) {
  std::string out = "{";
  for (const MachineId machine : machines) {
    if (out.size() > 1) out += ',';
    out += std::to_string(machine.value);
  }
  return out + "}";
}

std::vector<MachineHistory> PutTogether(const Fleet& fleet, std::span<const MachineId> machines, HistoryParts parts,
                                        SettlementsOf settlements) {
  std::vector<MachineHistory> histories;
  histories.reserve(machines.size());
  for (const MachineId machine : machines) {
    std::vector<AssignmentHistory> assignments;
    bool delivery_expected = false;
    auto assigned = fleet.assignments_of.find(machine);
    if (assigned != fleet.assignments_of.end()) {
      for (const std::size_t i : assigned->second) {
        const Assignment& assignment = fleet.assignments[i];
        // Somebody still watches, and may deliver what is missing.
        if (assignment.to == absl::InfiniteFuture()) delivery_expected = true;
        auto part = parts.find({machine, assignment.id});
        if (part == parts.end()) continue;
        part->second.assigned = {assignment.from, assignment.to};
        assignments.push_back(std::move(part->second));
      }
    }
    std::sort(assignments.begin(), assignments.end(), [](const AssignmentHistory& a, const AssignmentHistory& b) {
      return a.assigned.start < b.assigned.start;
    });
    MachineHistory& history = histories.emplace_back(PutEndToEnd(std::move(assignments)));
    history.machine = machine;
    history.delivery_expected = delivery_expected;
    if (auto settled = settlements.find(machine); settled != settlements.end()) {
      history.settlements = std::move(settled->second);
    }
  }
  return histories;
}

std::string BytesOfHex(const pqxx::field& field) {
  // It begins with \x.
  const absl::string_view text(field.c_str(), field.size());
  return absl::HexStringToBytes(text.substr(2));
}

}  // namespace bayward
