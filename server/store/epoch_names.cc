#include "server/store/epoch_names.h"

#include "absl/strings/escaping.h"
#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {

absl::StatusOr<absl::flat_hash_map<EpochId, std::string>> PostgresEpochNames::Find(
    std::span<const EpochId> epochs) {
  absl::flat_hash_map<EpochId, std::string> names;
  if (epochs.empty()) return names;
  std::string ids = "{";
  for (const EpochId epoch : epochs) ids += (ids.size() > 1 ? "," : "") + std::to_string(epoch.value);
  ids += "}";
  BAYWARD_RETURN_IF_ERROR(database_.Read("name epochs", [&](pqxx::transaction_base& tx) {
    names.clear();
    for (const auto& row : tx.exec(fmt::format(
             "SELECT epoch_id, encode(epoch, 'hex') FROM agent_epoch WHERE epoch_id = ANY('{}'::int[])",
             ids))) {
      names[EpochId{row[0].as<int>()}] = absl::HexStringToBytes(row[1].c_str());
    }
    return absl::OkStatus();
  }));
  return names;
}

}  // namespace bayward
