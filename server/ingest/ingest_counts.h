// What ingest counts, for metrics to read. Thread-safe; counts only grow, depths come and go.
#pragma once

#include <array>
#include <atomic>
#include <cstdint>

namespace bayward {

struct IngestCounts {
  std::atomic<std::uint64_t> events{0};      // newly stored
  std::atomic<std::uint64_t> batches{0};     // taken in, duplicates and refusals included
  std::atomic<std::uint64_t> duplicates{0};  // events at or below the watermark
  std::atomic<std::uint64_t> gaps{0};        // batches refused for beginning beyond watermark + 1
  std::atomic<std::uint64_t> tombstones{0};
  std::atomic<std::uint64_t> rejected{0};
  std::atomic<std::uint64_t> parked{0};
  std::atomic<std::uint64_t> clock_errors{0};  // times more than 5 min ahead, stored at their receipt
  std::atomic<std::uint64_t> lost_by_server{0};
  std::atomic<std::uint64_t> identity_conflicts{0};
  std::atomic<std::uint64_t> agents_skipped_long{0};  // locked by somebody else for over 15 s
  std::atomic<std::uint64_t> commits{0};
  std::atomic<std::uint64_t> commit_failures{0};
  std::atomic<std::uint64_t> queue_batches{0};   // waiting now
  std::atomic<std::uint64_t> queue_capacity{0};  // of them
  std::atomic<std::uint64_t> streams{0};         // connected now
  std::atomic<bool> held_for_disk{false};

  // Time from BEGIN to the return of COMMIT, cumulative buckets by upper bound in seconds; the last is +Inf.
  static constexpr std::array<double, 12> kCommitBounds = {0.001, 0.002, 0.005, 0.01, 0.02, 0.05,
                                                           0.1,   0.2,   0.5,   1,    2,    5};
  std::array<std::atomic<std::uint64_t>, kCommitBounds.size() + 1> commit_buckets{};  // not cumulative
  std::atomic<std::uint64_t> commit_micros{0};                                        // sum

  void ObserveCommit(double seconds) {
    std::size_t i = 0;
    while (i < kCommitBounds.size() && seconds > kCommitBounds[i]) ++i;
    commit_buckets[i].fetch_add(1, std::memory_order_relaxed);
    commit_micros.fetch_add(static_cast<std::uint64_t>(seconds * 1e6), std::memory_order_relaxed);
  }
};

}  // namespace bayward
