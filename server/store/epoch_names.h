// What an agent calls an epoch that the database knows by number. Thread-safe.
#pragma once

#include <span>
#include <string>

#include "absl/container/flat_hash_map.h"
#include "absl/status/statusor.h"
#include "server/model/ids.h"
#include "server/store/database.h"

namespace bayward {

class EpochNames {
 public:
  virtual ~EpochNames() = default;
  // The 16 bytes of each epoch that is known.
  virtual absl::StatusOr<absl::flat_hash_map<EpochId, std::string>> Find(std::span<const EpochId> epochs) = 0;
};

class PostgresEpochNames : public EpochNames {
 public:
  explicit PostgresEpochNames(Database& database) : database_(database) {}
  absl::StatusOr<absl::flat_hash_map<EpochId, std::string>> Find(std::span<const EpochId> epochs) override;

 private:
  Database& database_;
};

}  // namespace bayward
