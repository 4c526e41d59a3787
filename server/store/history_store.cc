#include "server/store/history_store.h"

#include <utility>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/store/history_rows.h"

namespace bayward {

absl::StatusOr<std::vector<MachineHistory>> PostgresHistoryStore::Load(const Fleet& fleet,
                                                                       std::span<const MachineId> machines,
                                                                       const Interval& extent) {
  HistoryParts parts;
  SettlementsOf settlements;
  BAYWARD_RETURN_IF_ERROR(database_.Read("read histories", [&](pqxx::transaction_base& tx) {
    parts.clear();
    settlements.clear();
    HistoryRows rows(tx, machines, extent);
    rows.Spells(parts);
    rows.Modes(parts);
    rows.Observed(parts);
    rows.Voided(parts);
    rows.Cycles(parts);
    rows.Settlements(settlements);
    return rows.Open(parts);
  }));
  return PutTogether(fleet, machines, std::move(parts), std::move(settlements));
}

absl::StatusOr<absl::Time> PostgresHistoryStore::FirstEventAt(std::span<const MachineId> machines) {
  absl::Time first = absl::InfiniteFuture();
  BAYWARD_RETURN_IF_ERROR(database_.Read("find the first event", [&](pqxx::transaction_base& tx) {
    const auto row = tx.exec1(fmt::format(
        "SELECT {} FROM (SELECT min(first_event_at) AS f FROM machine_state WHERE machine_id = ANY('{}'::int[])) s",
        MicrosOf("coalesce(f, 'infinity')"), ArrayOfIds(machines)));
    first = FromMicros(row[0].as<std::int64_t>());
    return absl::OkStatus();
  }));
  return first;
}

}  // namespace bayward
