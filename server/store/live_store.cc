#include "server/store/live_store.h"

#include "absl/strings/escaping.h"
#include "fmt/format.h"
#include "nlohmann/json.hpp"
#include "proto/common/status.h"
#include "server/store/state_codec.h"

namespace bayward {
namespace {

std::string FromBytea(const pqxx::field& field) {
  const std::string text = field.c_str();
  return absl::HexStringToBytes(absl::string_view(text.data() + 2, text.size() - 2));
}

std::vector<CodeBookInUse> ReadCodeBooks(const std::string& text) {
  std::vector<CodeBookInUse> books;
  const auto json = nlohmann::json::parse(text, nullptr, false);
  if (!json.is_array()) return books;
  for (const auto& book : json) {
    books.push_back({book.value("machine", ""), book.value("name", ""), book.value("version", ""),
                     book.value("sha256", "")});
  }
  return books;
}

std::string WriteCodeBooks(const std::vector<CodeBookInUse>& books) {
  auto json = nlohmann::json::array();
  for (const auto& book : books) {
    json.push_back({{"machine", book.machine}, {"name", book.name}, {"version", book.version}, {"sha256", book.sha256}});
  }
  return json.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

absl::Status ReadMachines(pqxx::transaction_base& tx, const std::string& since, LiveRows& rows) {
  for (const auto& row : tx.exec(fmt::format(
           "SELECT assignment_id, machine_id, agent_id, site_id, state, {}, cycles_completed, cycles_aborted, ended "
           "FROM machine_state WHERE changed_xid >= '{}'::xid8", MicrosOf("first_event_at"), since))) {
    OpenMachine machine;
    machine.assignment = row[0].as<int>();
    machine.machine = {row[1].as<int>()};
    machine.agent = {row[2].as<int>()};
    machine.site = {row[3].as<int>()};
    BAYWARD_ASSIGN_OR_RETURN(machine.state, DecodeState(FromBytea(row[4])));
    machine.first_event_at = FromMicros(row[5].as<std::int64_t>());
    machine.cycles_completed = row[6].as<std::uint64_t>();
    machine.cycles_aborted = row[7].as<std::uint64_t>();
    machine.ended = row[8].as<bool>();
    rows.machines.insert_or_assign(machine.assignment, std::move(machine));
  }
  return absl::OkStatus();
}

void ReadReports(pqxx::transaction_base& tx, const std::string& since, LiveRows& rows) {
  for (const auto& row : tx.exec(fmt::format(
           "SELECT agent_id, epoch, at_sequence, {}, report FROM live_report WHERE changed_xid >= '{}'::xid8",
           MicrosOf("as_of"), since))) {
    const AgentId agent{row[0].as<int>()};
    rows.reports.insert_or_assign(agent, StoredReport{agent, FromBytea(row[1]), row[2].as<std::uint64_t>(),
                                                      FromMicros(row[3].as<std::int64_t>()), FromBytea(row[4])});
  }
}

void ReadProgress(pqxx::transaction_base& tx, LiveRows& rows) {
  for (const auto& row : tx.exec(
           "SELECT w.agent_id, coalesce(e.epoch, ''), w.watermark, " + MicrosOf("w.observed_until") +
           " FROM agent_watermark w LEFT JOIN agent_epoch e ON e.epoch_id = w.epoch_id")) {
    rows.progress.insert_or_assign(AgentId{row[0].as<int>()},
                                   StoredProgress{FromBytea(row[1]), row[2].as<std::uint64_t>(),
                                                  FromMicros(row[3].as<std::int64_t>())});
  }
}

void ReadPresence(pqxx::transaction_base& tx, LiveRows& rows) {
  for (const auto& row : tx.exec(
           "SELECT agent_id, " + MicrosOf("last_seen") + ", connected, version, last_recorded, backlog_events, "
           "spool_bytes, spool_bytes_max, dropped_events, clock_offset_us, code_books FROM agent_presence")) {
    LiveAgent agent;
    agent.id = {row[0].as<int>()};
    agent.last_seen = FromMicros(row[1].as<std::int64_t>());
    agent.connected = row[2].as<bool>();
    agent.version = row[3].c_str();
    agent.last_recorded = row[4].as<std::uint64_t>();
    agent.backlog_events = row[5].as<std::uint64_t>();
    agent.spool_bytes = row[6].as<std::uint64_t>();
    agent.spool_bytes_max = row[7].as<std::uint64_t>();
    agent.dropped_events = row[8].as<std::uint64_t>();
    agent.clock_offset = absl::Microseconds(row[9].as<std::int64_t>());
    agent.code_books = ReadCodeBooks(row[10].c_str());
    rows.presence.insert_or_assign(agent.id, std::move(agent));
  }
}

}  // namespace

absl::Status LiveStore::Poll(LiveRows& rows) {
  std::string xmin;
  BAYWARD_RETURN_IF_ERROR(database_.Read("poll live states", [&](pqxx::transaction_base& tx) {
    xmin = tx.exec1("SELECT pg_snapshot_xmin(pg_current_snapshot())")[0].c_str();
    BAYWARD_RETURN_IF_ERROR(ReadMachines(tx, seen_xmin_, rows));
    ReadReports(tx, seen_xmin_, rows);
    ReadProgress(tx, rows);
    ReadPresence(tx, rows);
    return absl::OkStatus();
  }));
  seen_xmin_ = xmin;
  return absl::OkStatus();
}

absl::Status LiveStore::SavePresence(const std::vector<LiveAgent>& agents) {
  return database_.Write("save presence", [&](pqxx::transaction_base& tx) {
    for (const LiveAgent& agent : agents) {
      tx.exec_params0(
          "INSERT INTO agent_presence (agent_id, last_seen, connected, version, last_recorded, backlog_events, "
          "spool_bytes, spool_bytes_max, dropped_events, clock_offset_us, code_books) "
          "VALUES ($1, $2::timestamptz, $3, $4, $5, $6, $7, $8, $9, $10, $11::jsonb) "
          "ON CONFLICT (agent_id) DO UPDATE SET last_seen = excluded.last_seen, connected = excluded.connected, "
          "version = excluded.version, last_recorded = excluded.last_recorded, "
          "backlog_events = excluded.backlog_events, spool_bytes = excluded.spool_bytes, "
          "spool_bytes_max = excluded.spool_bytes_max, dropped_events = excluded.dropped_events, "
          "clock_offset_us = excluded.clock_offset_us, code_books = excluded.code_books",
          agent.id.value, ToTimestamptz(agent.last_seen), agent.connected, agent.version,
          static_cast<std::int64_t>(agent.last_recorded), static_cast<std::int64_t>(agent.backlog_events),
          static_cast<std::int64_t>(agent.spool_bytes), static_cast<std::int64_t>(agent.spool_bytes_max),
          static_cast<std::int64_t>(agent.dropped_events), absl::ToInt64Microseconds(agent.clock_offset),
          WriteCodeBooks(agent.code_books));
    }
    return absl::OkStatus();
  });
}

}  // namespace bayward
