#include "server/store/ingest_store.h"

#include <utility>

#include "absl/strings/escaping.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/store/cycle_runs.h"
#include "server/store/state_codec.h"

namespace bayward {
namespace {

std::string Hex(std::string_view bytes) {
  return absl::BytesToHexString(absl::string_view(bytes.data(), bytes.size()));
}

// A bytea literal's text.
std::string Bytea(std::string_view bytes) { return "\\x" + Hex(bytes); }

std::string FromBytea(const pqxx::field& field) {
  const std::string text = field.c_str();
  return absl::HexStringToBytes(absl::string_view(text.data() + 2, text.size() - 2));
}

// A list as the text of a PostgreSQL array: pqxx 6 has no array parameters.
template <class Range, class Projection>
std::string ArrayOf(const Range& range, Projection projection) {
  std::string out = "{";
  for (const auto& item : range) {
    if (out.size() > 1) out += ',';
    out += projection(item);
  }
  return out + "}";
}

template <class Body>
absl::Status Guard(std::string_view doing, Body body) {
  try {
    body();
    return absl::OkStatus();
  } catch (...) {
    return StatusOfCurrentException(doing);
  }
}

}  // namespace

absl::StatusOr<std::unique_ptr<IngestTransaction>> IngestTransaction::Begin(Connection& connection) {
  std::unique_ptr<IngestTransaction> transaction(new IngestTransaction(connection));
  BAYWARD_RETURN_IF_ERROR(Guard("begin", [&] {
    transaction->work_ = std::make_unique<pqxx::work>(connection.pqxx());
    const auto row = transaction->work_->exec1("SELECT (extract(epoch FROM now()) * 1000000)::bigint");
    transaction->now_ = absl::FromUnixMicros(row[0].as<std::int64_t>());
  }));
  return transaction;
}

absl::StatusOr<std::vector<AgentProgress>> IngestTransaction::Lock(std::span<const AgentProgress> agents) {
  std::vector<AgentProgress> locked;
  BAYWARD_RETURN_IF_ERROR(Guard("lock agents", [&] {
    const std::string ids = ArrayOf(agents, [](const auto& a) { return std::to_string(a.agent.value); });
    const std::string sites = ArrayOf(agents, [](const auto& a) { return std::to_string(a.site.value); });
    const auto select = [&] {
      return work_->exec(fmt::format(
          "SELECT agent_id, site_id, coalesce(epoch_id, 0), watermark, {}, fold_version FROM agent_watermark WHERE "
          "agent_id = ANY('{}'::int[]) ORDER BY agent_id FOR UPDATE SKIP LOCKED",
          MicrosOf("observed_until"), ids));
    };
    auto rows = select();
    if (rows.size() < agents.size()) {
      const auto made = work_->exec(fmt::format(
          "INSERT INTO agent_watermark (agent_id, site_id) SELECT * FROM unnest('{}'::int[], '{}'::int[]) "
          "ON CONFLICT DO NOTHING", ids, sites));
      if (made.affected_rows() > 0) rows = select();
    }
    for (const auto& row : rows) {
      locked.push_back({{row[0].as<int>()}, {row[1].as<int>()}, {row[2].as<int>()},
                        row[3].as<std::uint64_t>(), FromMicros(row[4].as<std::int64_t>()),
                        row[5].as<std::int64_t>()});
    }
  }));
  return locked;
}

absl::StatusOr<std::vector<EpochRecord>> IngestTransaction::Epochs(AgentId agent) {
  std::vector<EpochRecord> epochs;
  BAYWARD_RETURN_IF_ERROR(Guard("read epochs", [&] {
    for (const auto& row : work_->exec_params(
             "SELECT epoch_id, epoch, predecessor, boot, clock_offset_us, superseded_at IS NOT NULL, "
             "coalesce(final_watermark, 0) FROM agent_epoch WHERE agent_id = $1 ORDER BY epoch_id", agent.value)) {
      EpochRecord& epoch = epochs.emplace_back();
      epoch.id = {row[0].as<int>()};
      epoch.epoch = FromBytea(row[1]);
      epoch.predecessor = FromBytea(row[2]);
      epoch.boot = FromBytea(row[3]);
      if (!row[4].is_null()) epoch.clock_offset = absl::Microseconds(row[4].as<std::int64_t>());
      epoch.superseded = row[5].as<bool>();
      epoch.final_watermark = row[6].as<std::uint64_t>();
    }
  }));
  return epochs;
}

absl::StatusOr<std::vector<OpenMachine>> IngestTransaction::OpenMachines(AgentId agent) {
  std::vector<OpenMachine> machines;
  absl::Status decoded;
  BAYWARD_RETURN_IF_ERROR(Guard("read open machines", [&] {
    for (const auto& row : work_->exec_params(
             "SELECT assignment_id, machine_id, site_id, state, " + MicrosOf("first_event_at") +
                 ", cycles_completed, cycles_aborted, ended, cycle_runs FROM machine_state WHERE agent_id = $1",
             agent.value)) {
      OpenMachine& machine = machines.emplace_back();
      machine.assignment = row[0].as<int>();
      machine.machine = {row[1].as<int>()};
      machine.agent = agent;
      machine.site = {row[2].as<int>()};
      auto state = DecodeState(FromBytea(row[3]));
      if (!state.ok()) {
        decoded = state.status();
        return;
      }
      machine.state = *std::move(state);
      machine.first_event_at = FromMicros(row[4].as<std::int64_t>());
      machine.cycles_completed = row[5].as<std::uint64_t>();
      machine.cycles_aborted = row[6].as<std::uint64_t>();
      machine.ended = row[7].as<bool>();
      if (row[8].is_null()) {
        MakeRuns(machine);
        continue;
      }
      decoded = DecodeRuns(FromBytea(row[8]), machine.runs);
      if (!decoded.ok()) return;
    }
  }));
  BAYWARD_RETURN_IF_ERROR(decoded);
  return machines;
}

void IngestTransaction::MakeRuns(OpenMachine& machine) {
  for (const auto& row : work_->exec(fmt::format(
           "SELECT {}, {}, outcome, rehearsal FROM cycle WHERE machine_id = {} AND assignment_id = {} "
           "ORDER BY finished_at", MicrosOf("started_at"), MicrosOf("finished_at"), machine.machine.value,
           machine.assignment))) {
    Cycle cycle;
    cycle.started_at = FromMicros(row[0].as<std::int64_t>());
    cycle.finished_at = FromMicros(row[1].as<std::int64_t>());
    cycle.outcome = static_cast<CycleOutcome>(row[2].as<int>());
    cycle.rehearsal = row[3].as<bool>();
    AddCycle(cycle, /*go_on=*/true, machine.runs);
  }
}

absl::StatusOr<std::vector<std::string>> IngestTransaction::ParkedMachines(AgentId agent) {
  std::vector<std::string> keys;
  BAYWARD_RETURN_IF_ERROR(Guard("read parked machines", [&] {
    for (const auto& row :
         work_->exec_params("SELECT DISTINCT machine FROM parked_event WHERE agent_id = $1", agent.value)) {
      keys.emplace_back(row[0].c_str());
    }
  }));
  return keys;
}

absl::StatusOr<EpochId> IngestTransaction::BeginEpoch(AgentId agent, const EpochRecord& epoch) {
  EpochId id;
  BAYWARD_RETURN_IF_ERROR(Guard("begin an epoch", [&] {
    const auto row = work_->exec_params1(
        "INSERT INTO agent_epoch (agent_id, epoch, predecessor, boot, clock_offset_us) VALUES ($1, $2::bytea, "
        "$3::bytea, $4::bytea, nullif($5, '')::bigint) RETURNING epoch_id",
        agent.value, Bytea(epoch.epoch), Bytea(epoch.predecessor), Bytea(epoch.boot),
        epoch.clock_offset ? std::to_string(absl::ToInt64Microseconds(*epoch.clock_offset)) : std::string());
    id = {row[0].as<int>()};
  }));
  return id;
}

absl::Status IngestTransaction::Supersede(EpochId epoch, std::uint64_t final_watermark) {
  return Guard("end an epoch", [&] {
    work_->exec_params0("UPDATE agent_epoch SET superseded_at = now(), final_watermark = $2 WHERE epoch_id = $1",
                        epoch.value, static_cast<std::int64_t>(final_watermark));
  });
}

absl::Status IngestTransaction::SetClockOffset(EpochId epoch, absl::Duration offset) {
  return Guard("keep a clock offset", [&] {
    work_->exec_params0("UPDATE agent_epoch SET clock_offset_us = $2 WHERE epoch_id = $1", epoch.value,
                        absl::ToInt64Microseconds(offset));
  });
}

absl::Status IngestTransaction::Count(EpochId epoch, const EpochCounts& counts) {
  return Guard("count an epoch", [&] {
    work_->exec_params0(
        "UPDATE agent_epoch SET tombstoned = tombstoned + $2, rejected = rejected + $3, parked = parked + $4, lost = "
        "lost + $5 WHERE epoch_id = $1",
        epoch.value, counts.tombstoned, counts.rejected, counts.parked, counts.lost);
  });
}

absl::StatusOr<std::vector<HeldRow>> IngestTransaction::TakeParked(AgentId agent, const std::string& machine) {
  std::vector<HeldRow> events;
  BAYWARD_RETURN_IF_ERROR(Guard("take parked events", [&] {
    for (const auto& row : work_->exec_params(
             "WITH taken AS (DELETE FROM parked_event WHERE agent_id = $1 AND machine = $2 RETURNING *) "
             "SELECT site_id, epoch_id, sequence, payload, " + MicrosOf("received_at") +
                 " FROM taken ORDER BY epoch_id, sequence", agent.value, machine)) {
      HeldRow& event = events.emplace_back();
      event.site = {row[0].as<int>()};
      event.agent = agent;
      event.ref = {{row[1].as<int>()}, row[2].as<std::uint64_t>()};
      event.machine = machine;
      event.payload = FromBytea(row[3]);
      event.received_at = FromMicros(row[4].as<std::int64_t>());
    }
  }));
  return events;
}

absl::Status IngestTransaction::Send(GroupRows& rows) { return rows.Send(connection_); }

absl::Status IngestTransaction::Save(std::span<const OpenMachine* const> machines) {
  if (machines.empty()) return absl::OkStatus();
  const auto ints = [&](auto projection) {
    return ArrayOf(machines, [&](const OpenMachine* m) { return std::to_string(projection(*m)); });
  };
  return Guard("save open machines", [&] {
    work_->exec_params0(
        "INSERT INTO machine_state AS m (assignment_id, machine_id, agent_id, site_id, state, first_event_at, "
        "cycles_completed, cycles_aborted, ended, cycle_runs, changed_xid) SELECT a, b, c, d, e, f, g, h, i, j, "
        "pg_current_xact_id() FROM unnest($1::int[], $2::int[], $3::int[], $4::int[], $5::bytea[], "
        "$6::timestamptz[], $7::bigint[], $8::bigint[], $9::boolean[], $10::bytea[]) AS u (a, b, c, d, e, f, g, h, "
        "i, j) ON CONFLICT (assignment_id) DO UPDATE SET state = excluded.state, first_event_at = "
        "excluded.first_event_at, cycles_completed = excluded.cycles_completed, cycles_aborted = "
        "excluded.cycles_aborted, ended = excluded.ended, cycle_runs = excluded.cycle_runs, changed_xid = "
        "excluded.changed_xid",
        ints([](const OpenMachine& m) { return m.assignment; }), ints([](const OpenMachine& m) { return m.machine.value; }),
        ints([](const OpenMachine& m) { return m.agent.value; }), ints([](const OpenMachine& m) { return m.site.value; }),
        ArrayOf(machines, [](const OpenMachine* m) { return "\"\\\\x" + Hex(EncodeState(m->state)) + "\""; }),
        ArrayOf(machines, [](const OpenMachine* m) { return "\"" + ToTimestamptz(m->first_event_at) + "\""; }),
        ints([](const OpenMachine& m) { return m.cycles_completed; }),
        ints([](const OpenMachine& m) { return m.cycles_aborted; }),
        ArrayOf(machines, [](const OpenMachine* m) { return std::string(m->ended ? "t" : "f"); }),
        ArrayOf(machines, [](const OpenMachine* m) { return "\"\\\\x" + Hex(EncodeRuns(m->runs)) + "\""; }));
  });
}

absl::Status IngestTransaction::Save(std::span<const AgentProgress> agents) {
  if (agents.empty()) return absl::OkStatus();
  return Guard("save watermarks", [&] {
    work_->exec_params0(
        "UPDATE agent_watermark AS w SET epoch_id = nullif(u.b, 0), watermark = u.c, observed_until = u.d, "
        "fold_version = w.fold_version + 1 FROM unnest($1::int[], $2::int[], $3::bigint[], $4::timestamptz[]) AS u "
        "(a, b, c, d) WHERE w.agent_id = u.a",
        ArrayOf(agents, [](const auto& a) { return std::to_string(a.agent.value); }),
        ArrayOf(agents, [](const auto& a) { return std::to_string(a.epoch.value); }),
        ArrayOf(agents, [](const auto& a) { return std::to_string(a.watermark); }),
        ArrayOf(agents, [](const auto& a) { return "\"" + ToTimestamptz(a.observed_until) + "\""; }));
  });
}

absl::Status IngestTransaction::SaveLiveReport(const LiveReportRow& report) {
  return Guard("save a live report", [&] {
    work_->exec_params0(
        "INSERT INTO live_report (agent_id, epoch, at_sequence, as_of, report, changed_xid) VALUES ($1, $2::bytea, "
        "$3, $4::timestamptz, $5::bytea, pg_current_xact_id()) ON CONFLICT (agent_id) DO UPDATE SET epoch = "
        "excluded.epoch, at_sequence = excluded.at_sequence, as_of = excluded.as_of, report = excluded.report, "
        "changed_xid = excluded.changed_xid",
        report.agent.value, Bytea(report.epoch), static_cast<std::int64_t>(report.at_sequence),
        ToTimestamptz(report.as_of), Bytea(report.report));
  });
}

absl::Status IngestTransaction::Commit() {
  return Guard("commit", [&] { work_->commit(); });
}

}  // namespace bayward
