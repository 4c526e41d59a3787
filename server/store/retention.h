// Drops old events and cycles, and keeps what is needed when they are gone. One thread; several servers may run it at
// once.
#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/store/database.h"

namespace bayward {

// Whole days after an event's or a cycle's receipt, at least 1.
struct Retention {
  int event_days = 400;
  int cycle_days = 400;
};

// Stores what is open at every machine where the last such set is a week old.
absl::Status TakeFoldCheckpoint(Database& database, absl::Time now);

// Drops the partitions that only hold what was received longer ago than `retention`, and returns their names. Events
// are dropped only once a fold checkpoint was taken after them, and what holds keep of them is copied before; cycles are
// counted into cycle_hour first. Each partition is written down, detached without blocking anybody (lock timeout 1 s),
// and dropped; where a reader holds one, it and the later ones are left for the next time, which goes on wherever this
// one was interrupted. The copies of holds released over kReleasedKept ago go as well.
absl::StatusOr<std::vector<std::string>> DropExpired(Database& database, absl::Time now, const Retention& retention);

}  // namespace bayward
