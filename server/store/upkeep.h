// Housekeeping of the database: partitions made ahead, accounts checked. One thread.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/store/database.h"

namespace bayward {

inline constexpr int kPartitionDaysAhead = 14;

// The partitions of a day's events and a month's cycles, by receipt in UTC. Names sort as days and months do.
std::string EventPartition(absl::CivilDay day);
std::string CyclePartition(absl::CivilMonth month);

// Makes the partitions of events (a day each) and cycles (a month each) from yesterday to kPartitionDaysAhead days after
// `now`. Each is created apart and then attached, with a short lock timeout and another try, because a plain CREATE …
// PARTITION OF waits behind every open reader. Several servers may run it at once. Idempotent.
absl::Status EnsurePartitions(Database& database, absl::Time now);

// Puts the index on closed days of events that drill-down by machine needs.
absl::Status IndexClosedDays(Database& database, absl::Time now);

// Epochs whose account does not add up: rows stored ≠ watermark − tombstoned − rejected − parked − lost − dropped. One
// line each in plain words; empty is good. Reads every stored event: for the small hours and for tests.
absl::StatusOr<std::vector<std::string>> CheckAccounts(Database& database);

// The last day for which a partition of events exists, as UTC midnight after it; InfinitePast where there is none.
absl::StatusOr<absl::Time> PartitionsReach(Database& database);

}  // namespace bayward
