// Replaces events that are not acknowledged by tombstones, where the spool has no room for more. Not
// thread-safe.
#pragma once

#include <algorithm>
#include <cstdint>
#include <functional>

#include "absl/status/statusor.h"
#include "agent/spool/event_rank.h"
#include "agent/spool/sqlite.h"

namespace bayward {

inline constexpr int kSequenceBits = 40;
inline constexpr std::int64_t kSequenceMask = (std::int64_t{1} << kSequenceBits) - 1;
inline std::int64_t Place(std::int64_t epoch, std::uint64_t sequence) {
  return (epoch << kSequenceBits) | static_cast<std::int64_t>(sequence);
}
inline constexpr std::uint64_t kRowBytes = 24;  // of a row beyond its event

// What may lie beyond a spool's bound: tombstones, and the tables' own pages.
inline std::uint64_t RoomForTombstones(std::uint64_t bytes_max) {
  return std::max<std::uint64_t>(256ULL << 10, bytes_max / 64);
}

struct RoomMade {
  std::uint64_t bytes = 0;   // about what the file can use again
  std::uint64_t events = 0;  // newly under tombstones
};

// Replaces runs of entries up to `rank`, oldest first, until about `bytes` are free or no run is left that
// would free anything; one transaction. `acknowledged`, asked with a place and its last sequence: entries to
// pass over.
absl::StatusOr<RoomMade> ReplaceByTombstones(
    SqliteDb& db, EventRank rank, std::uint64_t bytes,
    const std::function<bool(std::int64_t, std::uint64_t)>& acknowledged);

}  // namespace bayward
