#include "server/store/settlement_store.h"

#include "proto/common/status.h"

namespace bayward {

absl::Status PostgresSettlementStore::Add(const NewSettlement& settlement) {
  return database_.Write("settle unknown time", [&](pqxx::transaction_base& tx) {
    tx.exec_params0(
        "INSERT INTO settlement (site_id, machine_id, from_at, to_at, as_condition, settled_by, reason, recorded_at) "
        "VALUES ($1, $2, $3, $4, $5, $6, $7, clock_timestamp())",
        settlement.site.value, settlement.machine.value, ToTimestamptz(settlement.interval.start),
        ToTimestamptz(settlement.interval.end), static_cast<int>(settlement.as), settlement.by, settlement.reason);
    return absl::OkStatus();
  });
}

}  // namespace bayward
