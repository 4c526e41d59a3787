#include "server/store/hold_store.h"

#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

std::vector<Hold> Read(pqxx::transaction_base& tx, const std::string& condition) {
  std::vector<Hold> holds;
  for (const auto& row : tx.exec(fmt::format(
           "SELECT h.hold_id, h.machine_id, {}, {}, h.held_by, h.reason, h.reference, {}, {}, (SELECT count(*) FROM "
           "held_raw_event k WHERE k.hold_id = h.hold_id) FROM record_hold h LEFT JOIN record_hold_release r USING "
           "(hold_id) WHERE {} ORDER BY h.hold_id DESC",
           MicrosOf("h.from_at"), MicrosOf("h.to_at"), MicrosOf("h.recorded_at"),
           MicrosOf("coalesce(r.released_at, 'infinity')"), condition))) {
    Hold& hold = holds.emplace_back();
    hold.id = row[0].as<std::uint64_t>();
    hold.machine = {row[1].as<int>()};
    hold.interval = {FromMicros(row[2].as<std::int64_t>()), FromMicros(row[3].as<std::int64_t>())};
    hold.by = row[4].c_str();
    hold.reason = row[5].c_str();
    hold.reference = row[6].c_str();
    hold.recorded_at = FromMicros(row[7].as<std::int64_t>());
    hold.released_at = FromMicros(row[8].as<std::int64_t>());
    hold.events = row[9].as<std::uint64_t>();
  }
  return holds;
}

std::string Numbered(std::uint64_t id) { return fmt::format("h.hold_id = {}", id); }

}  // namespace

absl::StatusOr<Hold> PostgresHoldStore::Add(const NewHold& hold) {
  Hold added;
  BAYWARD_RETURN_IF_ERROR(database_.Write("hold raw events", [&](pqxx::transaction_base& tx) {
    const auto id = tx.exec_params1(
                          "INSERT INTO record_hold (site_id, machine_id, from_at, to_at, held_by, reason, reference) "
                          "VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING hold_id",
                          hold.site.value, hold.events.machine.value, ToTimestamptz(hold.events.effective.start),
                          ToTimestamptz(hold.events.effective.end), hold.by, hold.reason, hold.reference)[0]
                        .as<std::uint64_t>();
    const std::string condition = EventCondition(tx, hold.events);
    // What an earlier hold kept may be nowhere else any more.
    tx.exec(
        fmt::format("INSERT INTO held_raw_event (hold_id, {0}) SELECT {1}, e.* FROM (SELECT {0} FROM event WHERE {2} "
                    "UNION SELECT {0} FROM held_raw_event WHERE {2}) e",
                    kEventColumns, id, condition));
    added = Read(tx, Numbered(id)).at(0);
    return absl::OkStatus();
  }));
  return added;
}

absl::StatusOr<Hold> PostgresHoldStore::Release(std::uint64_t id, const std::string& by, const std::string& reason) {
  Hold released;
  BAYWARD_RETURN_IF_ERROR(database_.Write("release a hold", [&](pqxx::transaction_base& tx) {
    if (Read(tx, Numbered(id)).empty()) {
      return NotFound("there is no hold {}: the list of holds has the numbers there are", id);
    }
    const auto inserted = tx.exec_params(
        "INSERT INTO record_hold_release (hold_id, released_by, reason) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
        id, by, reason);
    if (inserted.affected_rows() == 0) return FailedPrecondition("hold {} was released before", id);
    released = Read(tx, Numbered(id)).at(0);
    return absl::OkStatus();
  }));
  return released;
}

absl::StatusOr<std::vector<Hold>> PostgresHoldStore::List(std::span<const MachineId> machines) {
  std::string ids = "{";
  for (const MachineId machine : machines) ids += (ids.size() > 1 ? "," : "") + std::to_string(machine.value);
  ids += "}";
  std::vector<Hold> holds;
  BAYWARD_RETURN_IF_ERROR(database_.Read("list holds", [&](pqxx::transaction_base& tx) {
    holds = Read(tx, fmt::format("h.machine_id = ANY('{}'::int[])", ids));
    return absl::OkStatus();
  }));
  return holds;
}

void KeepHeld(pqxx::transaction_base& tx, const std::string& partition) {
  tx.exec(fmt::format(
      "INSERT INTO held_raw_event (hold_id, {0}) SELECT h.hold_id, e.* FROM record_hold h JOIN (SELECT {0} FROM {1}) "
      "e ON e.machine_id = h.machine_id AND e.effective_at >= h.from_at AND e.effective_at < h.to_at WHERE NOT "
      "EXISTS (SELECT FROM record_hold_release r WHERE r.hold_id = h.hold_id) ON CONFLICT DO NOTHING",
      kEventColumns, partition));
}

absl::Status ForgetReleased(Database& database, absl::Time now) {
  return database.Write("forget released events", [&](pqxx::transaction_base& tx) {
    tx.exec_params0(
        "DELETE FROM held_raw_event USING record_hold_release r WHERE held_raw_event.hold_id = r.hold_id AND "
        "r.released_at < $1",
        ToTimestamptz(now - kReleasedKept));
    return absl::OkStatus();
  });
}

}  // namespace bayward
