#include "server/store/upkeep.h"

#include "absl/time/civil_time.h"
#include "absl/time/clock.h"
#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr int kAttachTries = 20;

std::string Day(absl::CivilDay day) { return absl::FormatCivilTime(day); }

struct Partition {
  std::string parent;
  std::string name;
  absl::CivilDay from;
  absl::CivilDay to;
};

absl::StatusOr<bool> Exists(Database& database, const std::string& table) {
  bool exists = false;
  BAYWARD_RETURN_IF_ERROR(database.Read("look for a partition", [&](pqxx::transaction_base& tx) {
    exists = tx.exec_params1("SELECT EXISTS (SELECT FROM pg_inherits WHERE inhrelid = to_regclass($1))", table)[0]
                 .as<bool>();
    return absl::OkStatus();
  }));
  return exists;
}

absl::Status TryMake(Database& database, const Partition& p) {
  return database.Write("make partition " + p.name, [&](pqxx::transaction_base& tx) {
    tx.exec("SET LOCAL lock_timeout = '1s'");
    tx.exec(fmt::format("SELECT pg_advisory_xact_lock(hashtext('{}'))", p.name));
    if (!tx.exec_params("SELECT FROM pg_inherits WHERE inhrelid = to_regclass($1)", p.name).empty()) {
      return absl::OkStatus();
    }
    tx.exec(fmt::format("CREATE TABLE IF NOT EXISTS {} (LIKE {} INCLUDING DEFAULTS INCLUDING CONSTRAINTS)", p.name,
                        p.parent));
    tx.exec(fmt::format("ALTER TABLE {} ATTACH PARTITION {} FOR VALUES FROM ('{} 00:00+00') TO ('{} 00:00+00')",
                        p.parent, p.name, Day(p.from), Day(p.to)));
    return absl::OkStatus();
  });
}

absl::Status Make(Database& database, const Partition& p) {
  BAYWARD_ASSIGN_OR_RETURN(const bool exists, Exists(database, p.name));
  if (exists) return absl::OkStatus();
  absl::Status status;
  for (int i = 0; i < kAttachTries; ++i) {
    status = TryMake(database, p);
    if (status.code() != absl::StatusCode::kAborted) return status;
    absl::SleepFor(absl::Milliseconds(100));
  }
  return status;
}

}  // namespace

std::string EventPartition(absl::CivilDay day) {
  return fmt::format("event_{:04}{:02}{:02}", day.year(), day.month(), day.day());
}

std::string CyclePartition(absl::CivilMonth month) {
  return fmt::format("cycle_{:04}{:02}", month.year(), month.month());
}

absl::Status EnsurePartitions(Database& database, absl::Time now) {
  const absl::CivilDay today = absl::ToCivilDay(now, absl::UTCTimeZone());
  for (absl::CivilDay day = today - 1; day <= today + kPartitionDaysAhead; ++day) {
    BAYWARD_RETURN_IF_ERROR(Make(database, {"event", EventPartition(day), day, day + 1}));
  }
  for (absl::CivilMonth month(today - 1); month <= absl::CivilMonth(today + kPartitionDaysAhead); ++month) {
    BAYWARD_RETURN_IF_ERROR(Make(database, {"cycle", CyclePartition(month), absl::CivilDay(month),
                                            absl::CivilDay(month + 1)}));
  }
  return absl::OkStatus();
}

absl::Status IndexClosedDays(Database& database, absl::Time now) {
  const absl::CivilDay today = absl::ToCivilDay(now, absl::UTCTimeZone());
  std::vector<std::string> partitions;
  BAYWARD_RETURN_IF_ERROR(database.Read("list partitions", [&](pqxx::transaction_base& tx) {
    for (const auto& row : tx.exec("SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
                                   "WHERE i.inhparent = 'event'::regclass ORDER BY 1")) {
      partitions.emplace_back(row[0].c_str());
    }
    return absl::OkStatus();
  }));
  for (const std::string& partition : partitions) {
    if (partition >= EventPartition(today)) continue;
    BAYWARD_RETURN_IF_ERROR(database.Write("index " + partition, [&](pqxx::transaction_base& tx) {
      tx.exec("SET LOCAL statement_timeout = '10min'");
      tx.exec(fmt::format("CREATE INDEX IF NOT EXISTS {0}_machine ON {0} (machine_id, epoch_id, sequence)", partition));
      return absl::OkStatus();
    }));
  }
  return absl::OkStatus();
}

absl::StatusOr<std::vector<std::string>> CheckAccounts(Database& database) {
  std::vector<std::string> faults;
  BAYWARD_RETURN_IF_ERROR(database.Read("check accounts", [&](pqxx::transaction_base& tx) {
    for (const auto& row : tx.exec(
             "WITH stored AS (SELECT epoch_id, count(*) AS n, count(DISTINCT sequence) AS d FROM event "
             "WHERE tableoid::regclass::text NOT IN (SELECT name FROM dropped_partition) GROUP BY 1), "
             "dropped AS (SELECT epoch_id, sum(events) AS gone FROM dropped_partition GROUP BY 1), "
             "account AS (SELECT e.agent_id, e.epoch_id, coalesce(e.final_watermark, w.watermark) - e.tombstoned "
             "- e.rejected - e.parked - e.lost - coalesce(d.gone, 0) AS expected FROM agent_epoch e "
             "LEFT JOIN agent_watermark w ON w.epoch_id = e.epoch_id LEFT JOIN dropped d ON d.epoch_id = e.epoch_id) "
             "SELECT a.agent_id, a.epoch_id, coalesce(s.n, 0), coalesce(s.d, 0), a.expected "
             "FROM account a LEFT JOIN stored s USING (epoch_id) "
             "WHERE coalesce(s.n, 0) <> a.expected OR coalesce(s.n, 0) <> coalesce(s.d, 0)")) {
      faults.push_back(fmt::format("agent {}, epoch {}: {} events stored ({} different), {} expected by the account",
                                   row[0].c_str(), row[1].c_str(), row[2].c_str(), row[3].c_str(), row[4].c_str()));
    }
    return absl::OkStatus();
  }));
  return faults;
}

absl::StatusOr<absl::Time> PartitionsReach(Database& database) {
  absl::Time reach = absl::InfinitePast();
  BAYWARD_RETURN_IF_ERROR(database.Read("see how far partitions reach", [&](pqxx::transaction_base& tx) {
    const auto row = tx.exec1("SELECT max(c.relname) FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
                              "WHERE i.inhparent = 'event'::regclass");
    absl::CivilDay day;
    if (!row[0].is_null()) {
      const std::string digits = std::string(row[0].c_str()).substr(6);
      if (absl::ParseCivilTime(digits.substr(0, 4) + "-" + digits.substr(4, 2) + "-" + digits.substr(6, 2), &day)) {
        reach = absl::FromCivil(day + 1, absl::UTCTimeZone());
      }
    }
    return absl::OkStatus();
  }));
  return reach;
}

}  // namespace bayward
