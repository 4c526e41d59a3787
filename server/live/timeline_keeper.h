// Keeps the timelines of machines between requests. Before each answer it asks the database which machines' rows have
// changed and reads only those again, so that what was delivered shows at once; a heartbeat that only moves up to where a
// machine was observed may show later, by as much as it would cost to follow it each time. Thread-safe: one refreshes at a
// time, and whoever waits meanwhile shares what it found.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "proto/common/clock.h"
#include "server/live/brief_timeline.h"
#include "server/model/fleet.h"
#include "server/store/brief_histories.h"

namespace bayward {

struct TimelineKeeperOptions {
  int threads = 2;                        // that read and compute at once
  std::size_t bytes_max = std::size_t{2} << 30;  // of what is kept, by estimate; what was used least recently goes first
  // A machine whose observation went on is looked at again once that is this many times as old as it takes.
  int age_factor = 20;
  absl::Duration age_max = absl::Seconds(10);
};

class TimelineKeeper {
 public:
  // All outlive it.
  TimelineKeeper(BriefHistories& histories, const Clock& clock, TimelineKeeperOptions options = {});

  // One for each of `machines`, in that order: over all of its material, from `from` or before to `now` or beyond. Errors:
  // the store's.
  absl::StatusOr<std::vector<BriefTimeline>> Get(const std::shared_ptr<const Fleet>& fleet,
                                                 std::span<const Machine* const> machines, absl::Time from,
                                                 absl::Time now);

  // Decides how many cycles came before each of `edges[i]`, instants of the i-th machine, where runs leave it open; of
  // starts only where they are counted.
  absl::Status Decide(const Fleet& fleet, std::span<const Machine* const> machines,
                      std::span<const std::vector<absl::Time>> edges, Counted counted,
                      std::vector<BriefTimeline>& timelines) const;

  // By estimate.
  std::size_t bytes() const;

 private:
  struct Kept {
    BriefTimeline timeline;
    HistoryVersion version;
    absl::Duration followed_at;  // by the monotonic clock: as far as it was observed then
    std::size_t bytes = 0;
    std::uint64_t used = 0;
  };
  enum class Need : std::uint8_t { kNothing, kFurther, kAll };  // kFurther: the same rows, observed or asked for further
  struct Wish {
    const Machine* machine = nullptr;
    Need need = Need::kAll;
    const Kept* known = nullptr;
    HistoryVersion version = {};  // of what is made
    BriefTimeline made = {};
  };

  absl::StatusOr<std::vector<HistoryVersion>> VersionsOf(const Fleet& fleet,
                                                         std::span<const Machine* const> machines) const;
  // Lets go of the machines of which this fleet says something else than the one before.
  void Adopt(const std::shared_ptr<const Fleet>& fleet) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  std::vector<Wish> Wishes(const Fleet& fleet, std::span<const Machine* const> machines,
                           std::vector<HistoryVersion> versions, absl::Time from, absl::Time now) const
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // Fills what is wished; reads and computes on several threads.
  absl::Status Refresh(const Fleet& fleet, std::vector<Wish>& wishes, absl::Time from, absl::Time now)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::Status Make(const Fleet& fleet, std::vector<Wish>& wishes, absl::Time from, absl::Time now) const;
  absl::Status MakeBatch(const Fleet& fleet, std::span<Wish> wishes, absl::Time from, absl::Time now) const;
  void Keep(const Wish& wish) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Shrink() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  BriefHistories& histories_;
  const Clock& clock_;
  const TimelineKeeperOptions options_;

  mutable absl::Mutex mutex_;
  std::shared_ptr<const Fleet> fleet_ ABSL_GUARDED_BY(mutex_);  // what is kept was made of it, or of one that says the same
  absl::flat_hash_map<MachineId, Kept> kept_ ABSL_GUARDED_BY(mutex_);
  std::size_t bytes_ ABSL_GUARDED_BY(mutex_) = 0;
  std::uint64_t uses_ ABSL_GUARDED_BY(mutex_) = 0;
  std::uint64_t refreshes_ ABSL_GUARDED_BY(mutex_) = 0;  // that made something
  absl::Duration cost_ ABSL_GUARDED_BY(mutex_) = absl::Microseconds(100);  // of following one machine's heartbeats
};

}  // namespace bayward
