// Reads what the timeline stored of machines. Thread-safe.
#pragma once

#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/model/fleet.h"
#include "server/model/history.h"
#include "server/model/ids.h"
#include "server/model/interval.h"
#include "server/store/database.h"

namespace bayward {

class HistoryStore {
 public:
  virtual ~HistoryStore() = default;

  // The histories of `machines`, in that order: everything that touches `extent`, what is open included, each machine's
  // assignments clipped and put end to end. All from one snapshot of the database. Unavailable where it does not answer.
  virtual absl::StatusOr<std::vector<MachineHistory>> Load(const Fleet& fleet, std::span<const MachineId> machines,
                                                           const Interval& extent) = 0;

  // When the first event of any of `machines` happened; InfiniteFuture where there is none.
  virtual absl::StatusOr<absl::Time> FirstEventAt(std::span<const MachineId> machines) = 0;
};

class PostgresHistoryStore : public HistoryStore {
 public:
  explicit PostgresHistoryStore(Database& database) : database_(database) {}

  absl::StatusOr<std::vector<MachineHistory>> Load(const Fleet& fleet, std::span<const MachineId> machines,
                                                   const Interval& extent) override;
  absl::StatusOr<absl::Time> FirstEventAt(std::span<const MachineId> machines) override;

 private:
  Database& database_;
};

}  // namespace bayward
