#include "server/store/retention.h"

#include "absl/time/civil_time.h"
#include "fmt/format.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/store/hold_store.h"
#include "server/store/upkeep.h"

namespace bayward {
namespace {

constexpr absl::Duration kCheckpointEvery = absl::Hours(7 * 24);

constexpr std::string_view kChildren =
    "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = '{}'::regclass "
    "AND c.relname < '{}' ORDER BY 1";

absl::StatusOr<std::vector<std::string>> Names(Database& database, const std::string& query) {
  std::vector<std::string> names;
  BAYWARD_RETURN_IF_ERROR(database.Read("list partitions", [&](pqxx::transaction_base& tx) {
    names.clear();
    for (const auto& row : tx.exec(query)) names.emplace_back(row[0].c_str());
    return absl::OkStatus();
  }));
  return names;
}

bool IsMarked(pqxx::transaction_base& tx, const std::string& name) {
  tx.exec(fmt::format("SELECT pg_advisory_xact_lock(hashtext('{}'))", name));
  return !tx.exec_params("SELECT FROM dropped_partition WHERE name = $1 AND epoch_id = 0", name).empty();
}

void Mark(pqxx::transaction_base& tx, const std::string& name) {
  tx.exec_params0("INSERT INTO dropped_partition (name, epoch_id, events) VALUES ($1, 0, 0)", name);
}

absl::Status MarkEvents(Database& database, const std::string& name) {
  return database.Write("write down " + name, [&](pqxx::transaction_base& tx) {
    if (IsMarked(tx, name)) return absl::OkStatus();
    tx.exec("SET LOCAL statement_timeout = '10min'");
    tx.exec(fmt::format("INSERT INTO dropped_partition (name, epoch_id, events) "
                        "SELECT '{0}', epoch_id, count(*) FROM {0} GROUP BY epoch_id", name));
    KeepHeld(tx, name);
    Mark(tx, name);
    return absl::OkStatus();
  });
}

absl::Status MarkCycles(Database& database, const std::string& name) {
  return database.Write("write down " + name, [&](pqxx::transaction_base& tx) {
    if (IsMarked(tx, name)) return absl::OkStatus();
    tx.exec("SET LOCAL statement_timeout = '10min'");
    // bayward.v1.CycleOutcome: 1 completed, 2 aborted.
    tx.exec(fmt::format(
        "INSERT INTO cycle_hour (site_id, machine_id, hour, programme, completed, aborted) SELECT site_id, "
        "machine_id, date_trunc('hour', finished_at, 'UTC'), programme, count(*) FILTER (WHERE outcome = 1), "
        "count(*) FILTER (WHERE outcome = 2) FROM {} WHERE NOT rehearsal GROUP BY 1, 2, 3, 4 ON CONFLICT (site_id, "
        "machine_id, hour, programme) DO UPDATE SET completed = cycle_hour.completed + excluded.completed, aborted = "
        "cycle_hour.aborted + excluded.aborted",
        name));
    Mark(tx, name);
    return absl::OkStatus();
  });
}

// Takes a partition out of its table; DETACH … CONCURRENTLY must stand outside a transaction and may have been
// interrupted before.
absl::Status Detach(Database& database, const std::string& parent, const std::string& name) {
  BAYWARD_ASSIGN_OR_RETURN(const auto connection, database.Open({.application_name = "bayward-upkeep"}));
  try {
    pqxx::nontransaction tx(connection->pqxx());
    const pqxx::result attached =
        tx.exec_params("SELECT inhdetachpending FROM pg_inherits WHERE inhrelid = to_regclass($1)", name);
    if (attached.empty()) return absl::OkStatus();
    tx.exec("SET lock_timeout = '1s'");
    tx.exec(fmt::format("ALTER TABLE {} DETACH PARTITION {} {}", parent, name,
                        attached[0][0].as<bool>() ? "FINALIZE" : "CONCURRENTLY"));
    return absl::OkStatus();
  } catch (...) {
    return StatusOfCurrentException("detach " + name);
  }
}

absl::Status Drop(Database& database, const std::string& parent, const std::string& name) {
  BAYWARD_RETURN_IF_ERROR(Detach(database, parent, name));
  return database.Write("drop " + name, [&](pqxx::transaction_base& tx) {
    tx.exec("SET LOCAL lock_timeout = '1s'");
    tx.exec(fmt::format("DROP TABLE IF EXISTS {}", name));
    return absl::OkStatus();
  });
}

// Marks the children of `parent` older than `limit`, as far as they may go, and drops what is marked and still there.
absl::Status DropTable(Database& database, const std::string& parent, const std::string& limit,
                       absl::Status (*mark)(Database&, const std::string&), std::vector<std::string>& dropped) {
  BAYWARD_ASSIGN_OR_RETURN(const auto expired, Names(database, fmt::format(fmt::runtime(kChildren), parent, limit)));
  for (const std::string& name : expired) BAYWARD_RETURN_IF_ERROR(mark(database, name));
  BAYWARD_ASSIGN_OR_RETURN(
      const auto marked, Names(database, fmt::format("SELECT name FROM dropped_partition WHERE epoch_id = 0 AND name LIKE "
                                                     "'{}\\_%' AND to_regclass(name) IS NOT NULL ORDER BY 1", parent)));
  for (const std::string& name : marked) {
    const absl::Status status = Drop(database, parent, name);
    if (status.code() == absl::StatusCode::kAborted) {
      // PostgreSQL detaches one partition of a table at a time.
      spdlog::info("{} is in use and will be dropped later: {}", name, Message(status));
      return absl::OkStatus();
    }
    BAYWARD_RETURN_IF_ERROR(status);
    dropped.push_back(name);
  }
  return absl::OkStatus();
}

// The end of the last day whose events a later fold checkpoint covers; no later than `end`.
absl::StatusOr<absl::CivilDay> CoveredUntil(Database& database, absl::CivilDay end) {
  BAYWARD_RETURN_IF_ERROR(database.Read("look for a fold checkpoint", [&](pqxx::transaction_base& tx) {
    const auto row = tx.exec1(fmt::format("SELECT EXISTS (SELECT FROM machine_state), {} FROM fold_checkpoint",
                                          MicrosOf("coalesce(max(taken_at), '-infinity')")));
    const absl::Time taken = FromMicros(row[1].as<std::int64_t>());
    if (row[0].as<bool>()) {
      end = taken == absl::InfinitePast() ? absl::CivilDay::min()
                                          : std::min(end, absl::ToCivilDay(taken, absl::UTCTimeZone()));
    }
    return absl::OkStatus();
  }));
  return end;
}

}  // namespace

absl::Status TakeFoldCheckpoint(Database& database, absl::Time now) {
  return database.Write("take a fold checkpoint", [&](pqxx::transaction_base& tx) {
    tx.exec("SELECT pg_advisory_xact_lock(hashtext('fold_checkpoint'))");
    tx.exec_params0("INSERT INTO fold_checkpoint (taken_at, assignment_id, machine_id, site_id, state) "
                    "SELECT $1, assignment_id, machine_id, site_id, state FROM machine_state WHERE NOT ended AND NOT "
                    "EXISTS (SELECT FROM fold_checkpoint WHERE taken_at > $2)",
                    ToTimestamptz(now), ToTimestamptz(now - kCheckpointEvery));
    return absl::OkStatus();
  });
}

absl::StatusOr<std::vector<std::string>> DropExpired(Database& database, absl::Time now, const Retention& retention) {
  const absl::CivilDay today = absl::ToCivilDay(now, absl::UTCTimeZone());
  std::vector<std::string> dropped;
  BAYWARD_RETURN_IF_ERROR(ForgetReleased(database, now));
  BAYWARD_ASSIGN_OR_RETURN(const absl::CivilDay events_end, CoveredUntil(database, today - retention.event_days));
  BAYWARD_RETURN_IF_ERROR(DropTable(database, "event", EventPartition(events_end), MarkEvents, dropped));
  const absl::CivilMonth cycles_end(today - retention.cycle_days);
  BAYWARD_RETURN_IF_ERROR(DropTable(database, "cycle", CyclePartition(cycles_end), MarkCycles, dropped));
  if (dropped.empty()) return dropped;
  BAYWARD_RETURN_IF_ERROR(database.Write("forget old fold checkpoints", [&](pqxx::transaction_base& tx) {
    tx.exec_params0("DELETE FROM fold_checkpoint WHERE taken_at < $1",
                    ToTimestamptz(absl::FromCivil(events_end, absl::UTCTimeZone())));
    return absl::OkStatus();
  }));
  return dropped;
}

}  // namespace bayward
