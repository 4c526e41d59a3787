#include "server/store/held_event_store.h"

#include "absl/strings/escaping.h"
#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

std::string FromBytea(const pqxx::field& field) {
  const std::string text = field.c_str();
  return absl::HexStringToBytes(absl::string_view(text.data() + 2, text.size() - 2));
}

absl::StatusOr<HeldEvents> List(Database& database, const char* table, const char* reason, const char* detail,
                                std::span<const SiteId> sites, std::uint32_t rows_max) {
  std::string ids = "{";
  for (const SiteId site : sites) ids += (ids.size() > 1 ? "," : "") + std::to_string(site.value);
  ids += "}";
  HeldEvents held;
  BAYWARD_RETURN_IF_ERROR(database.Read(fmt::format("list {}", table), [&](pqxx::transaction_base& tx) {
    held = {};
    held.total = tx.exec1(fmt::format("SELECT count(*) FROM {} WHERE site_id = ANY('{}'::int[])", table, ids))[0]
                     .as<std::uint64_t>();
    for (const auto& row : tx.exec(fmt::format(
             "SELECT h.agent_id, h.site_id, h.machine, coalesce(e.epoch, ''), h.sequence, {}, {}, {}, h.payload "
             "FROM {} h LEFT JOIN agent_epoch e USING (epoch_id) WHERE h.site_id = ANY('{}'::int[]) "
             "ORDER BY h.received_at DESC, h.sequence DESC LIMIT {}",
             MicrosOf("h.received_at"), reason, detail, table, ids, rows_max))) {
      held.rows.push_back({{row[0].as<int>()}, {row[1].as<int>()}, row[2].c_str(), FromBytea(row[3]),
                           row[4].as<std::uint64_t>(), FromMicros(row[5].as<std::int64_t>()), row[6].c_str(),
                           row[7].c_str(), FromBytea(row[8])});
    }
    return absl::OkStatus();
  }));
  return held;
}

}  // namespace

absl::StatusOr<HeldEvents> PostgresHeldEventStore::ListRejected(std::span<const SiteId> sites, std::uint32_t rows_max) {
  return List(database_, "rejected_event", "h.reason", "h.detail", sites, rows_max);
}

absl::StatusOr<HeldEvents> PostgresHeldEventStore::ListParked(std::span<const SiteId> sites, std::uint32_t rows_max) {
  return List(database_, "parked_event", "''", "''", sites, rows_max);
}

}  // namespace bayward
