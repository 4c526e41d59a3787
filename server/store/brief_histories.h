// Whole histories of machines with runs of cycles instead of cycles, and by what to tell that one has changed since.
// Thread-safe.
#pragma once

#include <algorithm>
#include <cstdint>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/cycle_run.h"
#include "server/model/fleet.h"
#include "server/model/history.h"
#include "server/model/ids.h"
#include "server/model/interval.h"
#include "server/store/database.h"

namespace bayward {

// What a machine's history was made from. Of one fleet, two with the same rows give the same history but for how far it was
// observed.
struct HistoryVersion {
  struct State {
    std::int32_t assignment = 0;
    std::uint64_t written_by = 0;  // the transaction that last wrote its state
    absl::Time observed_until;     // its agent is known to have been alive up to here; heartbeats move it
  };
  std::vector<State> states;     // by assignment
  std::int64_t settlements = 0;  // how many; they are only ever added

  bool SameRows(const HistoryVersion& other) const {
    return settlements == other.settlements &&
           std::equal(states.begin(), states.end(), other.states.begin(), other.states.end(),
                      [](const State& a, const State& b) {
                        return a.assignment == b.assignment && a.written_by == b.written_by;
                      });
  }
  bool SameObserved(const HistoryVersion& other) const {
    return std::equal(states.begin(), states.end(), other.states.begin(), other.states.end(),
                      [](const State& a, const State& b) { return a.observed_until == b.observed_until; });
  }
};

struct AssignedRuns {
  std::int32_t assignment = 0;
  Interval assigned;           // what finished outside does not count
  std::vector<CycleRun> runs;  // in no order
};

struct BriefHistory {
  MachineHistory history;  // without cycles
  std::vector<AssignedRuns> runs;
  absl::Time first_event_at = absl::InfiniteFuture();
  HistoryVersion version;
};

struct StoredCycle {
  Cycle cycle;
  std::int32_t assignment = 0;  // that recorded it, in its time or not
};

// A stretch of one machine's time, both ends included.
struct CycleRange {
  MachineId machine;
  absl::Time from;
  absl::Time to;
};

class BriefHistories {
 public:
  virtual ~BriefHistories() = default;

  // Each in the order of `machines`. Unavailable where the database does not answer.
  virtual absl::StatusOr<std::vector<BriefHistory>> Load(const Fleet& fleet, std::span<const MachineId> machines) = 0;
  virtual absl::StatusOr<std::vector<HistoryVersion>> Versions(const Fleet& fleet,
                                                               std::span<const MachineId> machines) = 0;
  // For each range the cycles stored that finished in it, whether they count or not.
  virtual absl::StatusOr<std::vector<std::vector<StoredCycle>>> CyclesWithin(std::span<const CycleRange> ranges) = 0;
};

class PostgresBriefHistories : public BriefHistories {
 public:
  explicit PostgresBriefHistories(Database& database) : database_(database) {}

  absl::StatusOr<std::vector<BriefHistory>> Load(const Fleet& fleet, std::span<const MachineId> machines) override;
  absl::StatusOr<std::vector<HistoryVersion>> Versions(const Fleet& fleet,
                                                       std::span<const MachineId> machines) override;
  absl::StatusOr<std::vector<std::vector<StoredCycle>>> CyclesWithin(std::span<const CycleRange> ranges) override;

 private:
  Database& database_;
};

}  // namespace bayward
