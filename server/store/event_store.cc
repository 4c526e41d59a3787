#include "server/store/event_store.h"

#include <algorithm>

#include "absl/strings/escaping.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/store/upkeep.h"

namespace bayward {
namespace {

// What ingest takes in: an event's effect is at most so long before it was recorded, and that at most so long after
// its receipt.
constexpr absl::Duration kEffectBeforeRecord = absl::Hours(1);
constexpr absl::Duration kRecordAhead = absl::Minutes(5);

std::string ArrayOf(const std::vector<AgentId>& agents) {
  std::string out = "{";
  for (const AgentId agent : agents) out += (out.size() > 1 ? "," : "") + std::to_string(agent.value);
  return out + "}";
}

absl::Time TimeOf(const pqxx::field& field) { return FromMicros(field.as<std::int64_t>()); }

absl::Time ReceivedFrom(const EventQuery& query) { return query.effective.start - kRecordAhead; }

// When an assignment's first row that begins after `after` was received; InfiniteFuture where there is none.
absl::Time FirstReceivedAfter(pqxx::transaction_base& tx, MachineId machine, std::int32_t assignment,
                              absl::Time after) {
  std::string parts;
  const auto add = [&](const char* table, const char* received, const char* from, const char* to) {
    if (!parts.empty()) parts += " UNION ALL ";
    parts += fmt::format(
        "(SELECT {} AS r FROM {} WHERE machine_id = {} AND assignment_id = {} AND {} > '{}' AND {} > '{}' ORDER BY "
        "{} LIMIT 1)",
        received, table, machine.value, assignment, to, ToTimestamptz(after), from, ToTimestamptz(after), to);
  };
  add("spell", "first_received_at", "raised_at", "cleared_at");
  add("mode_span", "first_received_at", "from_at", "to_at");
  add("observed_span", "first_received_at", "from_at", "to_at");
  add("cycle", "received_at", "finished_at", "finished_at");
  return TimeOf(tx.exec1(fmt::format("SELECT {} FROM (SELECT coalesce(min(r), 'infinity') AS f FROM ({}) p) m",
                                     MicrosOf("f"), parts))[0]);
}

// An agent's events are received in the order recorded, so that what it recorded later bounds when those of the query
// came. Where a clock stepped back in the stretch that does not hold.
absl::Time ReceivedUntil(pqxx::transaction_base& tx, const EventQuery& query) {
  const auto voided = tx.exec1(
      fmt::format("SELECT EXISTS (SELECT FROM voided_span WHERE machine_id = {} AND to_at > '{}' AND from_at < '{}')",
                  query.machine.value, ToTimestamptz(query.effective.start), ToTimestamptz(query.effective.end)));
  if (voided[0].as<bool>() || query.assignments.empty()) return absl::InfiniteFuture();
  absl::Time until = absl::InfinitePast();
  const absl::Time after = query.effective.end + kEffectBeforeRecord;
  for (const std::int32_t assignment : query.assignments) {
    until = std::max(until, FirstReceivedAfter(tx, query.machine, assignment, after));
  }
  return until;
}

std::string Within(const EventQuery& query, absl::Time until) {
  return fmt::format(
      "machine_id = {} AND effective_at >= '{}' AND effective_at < '{}' AND received_at >= '{}' AND received_at <= "
      "'{}'{}",
      query.machine.value, ToTimestamptz(query.effective.start), ToTimestamptz(query.effective.end),
      ToTimestamptz(ReceivedFrom(query)), ToTimestamptz(until), query.rehearsal ? "" : " AND NOT rehearsal");
}

std::string Selected() {
  return fmt::format("{}, {}, {}, sequence, epoch_id, agent_id, kind, rehearsal, payload", MicrosOf("received_at"),
                     MicrosOf("occurred_at"), MicrosOf("effective_at"));
}

StoredEvent ReadEvent(const pqxx::row& row) {
  StoredEvent event;
  event.received_at = TimeOf(row[0]);
  event.occurred_at = TimeOf(row[1]);
  event.effective_at = TimeOf(row[2]);
  event.ref = {{row[4].as<int>()}, row[3].as<std::uint64_t>()};
  event.agent = {row[5].as<int>()};
  event.kind = static_cast<std::int16_t>(row[6].as<int>());
  event.rehearsal = row[7].as<bool>();
  const std::string hex = row[8].c_str();
  event.payload = absl::HexStringToBytes(absl::string_view(hex.data() + 2, hex.size() - 2));
  return event;
}

void ReadRows(pqxx::transaction_base& tx, const std::string& condition, std::size_t rows_max, FoundEvents& found) {
  const std::string query = fmt::format(
      "SELECT {0}, count(*) OVER () FROM (SELECT *, min(effective_at) OVER (PARTITION BY agent_id) AS agent_from "
      "FROM (SELECT {1} FROM event WHERE {2} UNION SELECT {1} FROM held_raw_event WHERE {2}) e) o ORDER BY "
      "agent_from, agent_id, epoch_id, sequence LIMIT {3}",
      Selected(), kEventColumns, condition, rows_max);
  std::uint64_t total = 0;
  for (const auto& row : tx.exec(query)) {
    found.rows.push_back(ReadEvent(row));
    total = row[9].as<std::uint64_t>();
  }
  found.left_out = total - found.rows.size();
}

void ReadDropped(pqxx::transaction_base& tx, const EventQuery& query, absl::Time until, FoundEvents& found) {
  const auto partition = [](absl::Time at) { return EventPartition(absl::ToCivilDay(at, absl::UTCTimeZone())); };
  const absl::Time from = ReceivedFrom(query);
  std::string condition;
  if (from != absl::InfinitePast()) condition += fmt::format(" AND d.name >= '{}'", partition(from));
  if (until != absl::InfiniteFuture()) condition += fmt::format(" AND d.name <= '{}'", partition(until));
  const std::string names = fmt::format(
      "SELECT DISTINCT substr(d.name, 7, 4), substr(d.name, 11, 2), substr(d.name, 13, 2) FROM dropped_partition d "
      "JOIN agent_epoch e USING (epoch_id) WHERE d.name LIKE 'event\\_%' AND to_regclass(d.name) IS NULL AND "
      "e.agent_id = ANY('{}'::int[]){} ORDER BY 1, 2, 3",
      ArrayOf(query.agents), condition);
  for (const auto& row : tx.exec(names)) {
    found.days_dropped.emplace_back(row[0].as<int>(), row[1].as<int>(), row[2].as<int>());
  }
}

void ReadMissing(pqxx::transaction_base& tx, const EventQuery& query, FoundEvents& found) {
  const std::string missing = fmt::format(
      "SELECT {}, {}, last_sequence - first_sequence + 1, kind, reason FROM missing_events WHERE agent_id = "
      "ANY('{}'::int[]) AND to_at >= '{}' AND from_at < '{}' ORDER BY from_at, epoch_id, first_sequence",
      MicrosOf("from_at"), MicrosOf("to_at"), ArrayOf(query.agents), ToTimestamptz(query.effective.start),
      ToTimestamptz(query.effective.end));
  for (const auto& row : tx.exec(missing)) {
    found.missing.push_back(
        {{TimeOf(row[0]), TimeOf(row[1])}, row[2].as<std::uint64_t>(), row[3].as<int>() == 0, row[4].c_str()});
  }
}

}  // namespace

const char* const kEventColumns =
    "received_at, occurred_at, effective_at, sequence, site_id, machine_id, agent_id, epoch_id, kind, rehearsal, "
    "payload";

std::string EventCondition(pqxx::transaction_base& tx, const EventQuery& query) {
  return Within(query, ReceivedUntil(tx, query));
}

absl::StatusOr<FoundEvents> PostgresEventStore::Find(const EventQuery& query, std::size_t rows_max) {
  FoundEvents found;
  BAYWARD_RETURN_IF_ERROR(database_.Read("find raw events", [&](pqxx::transaction_base& tx) {
    found = {};
    const absl::Time until = ReceivedUntil(tx, query);
    ReadRows(tx, Within(query, until), rows_max, found);
    ReadDropped(tx, query, until, found);
    ReadMissing(tx, query, found);
    return absl::OkStatus();
  }));
  return found;
}

absl::StatusOr<std::vector<StoredEvent>> PostgresEventStore::HeldWashEvents(MachineId machine) {
  std::vector<StoredEvent> events;
  BAYWARD_RETURN_IF_ERROR(database_.Read("find held washes", [&](pqxx::transaction_base& tx) {
    events.clear();
    // bayward.v1.Event: 14 cycle_started, 15 cycle_finished.
    for (const auto& row : tx.exec(fmt::format(
             "SELECT {} FROM (SELECT DISTINCT {} FROM held_raw_event WHERE machine_id = {} AND kind IN (14, 15)) e "
             "ORDER BY epoch_id, sequence",
             Selected(), kEventColumns, machine.value))) {
      events.push_back(ReadEvent(row));
    }
    return absl::OkStatus();
  }));
  return events;
}

}  // namespace bayward
