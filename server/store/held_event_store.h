// Events that were not taken in: rejected ones with their reason, and those parked until their machine is declared.
// Thread-safe.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/ids.h"
#include "server/store/database.h"

namespace bayward {

struct HeldEventRow {
  AgentId agent;
  SiteId site;
  std::string machine;  // as the event named it
  std::string epoch;    // 16 bytes
  std::uint64_t sequence = 0;
  absl::Time received_at;
  std::string reason;  // rejected only
  std::string detail;
  std::string payload;
};

struct HeldEvents {
  std::vector<HeldEventRow> rows;  // newest first
  std::uint64_t total = 0;
};

class HeldEventStore {
 public:
  virtual ~HeldEventStore() = default;
  // Of `sites`, at most `rows_max`; `total` counts all of them.
  virtual absl::StatusOr<HeldEvents> ListRejected(std::span<const SiteId> sites, std::uint32_t rows_max) = 0;
  virtual absl::StatusOr<HeldEvents> ListParked(std::span<const SiteId> sites, std::uint32_t rows_max) = 0;
};

class PostgresHeldEventStore : public HeldEventStore {
 public:
  explicit PostgresHeldEventStore(Database& database) : database_(database) {}
  absl::StatusOr<HeldEvents> ListRejected(std::span<const SiteId> sites, std::uint32_t rows_max) override;
  absl::StatusOr<HeldEvents> ListParked(std::span<const SiteId> sites, std::uint32_t rows_max) override;

 private:
  Database& database_;
};

}  // namespace bayward
