// The spool in one SQLite file (spool_file.h), WAL with synchronous=FULL: what Write kept survives a loss of
// power. Thread-safe; one process at a time has a folder, which a lock sees to.
#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"
#include "agent/spool/event_rank.h"
#include "agent/spool/reserve_file.h"
#include "agent/spool/spool.h"
#include "agent/spool/sqlite.h"
#include "proto/common/clock.h"

namespace bayward {

struct SqliteSpoolOptions {
  std::filesystem::path folder;
  // Of the file, its journal of about 1 MiB not counted. Beyond it a little more is kept for tombstones.
  std::uint64_t bytes_max = 256ULL << 20;
  absl::Duration age_max = absl::Hours(7 * 24);  // of acknowledged events
  std::string boot;
  Clock* clock = &Clock::System();
  const char* vfs = nullptr;  // a registered SQLite VFS; nullptr: SQLite's own
};

class SqliteSpool : public Spool {
 public:
  static constexpr std::uint64_t kReserveBytes = 1ULL << 20;
  static constexpr std::size_t kEventBytesMax = 64 * 1024;  // a larger event becomes a tombstone

  // Opens or makes the spool and begins this process's epoch. A damaged file is put aside. FailedPrecondition
  // where the folder cannot be used, AlreadyExists where another process has it.
  static absl::StatusOr<std::unique_ptr<SqliteSpool>> Open(SqliteSpoolOptions options);
  ~SqliteSpool() override;
  SqliteSpool(const SqliteSpool&) = delete;
  SqliteSpool& operator=(const SqliteSpool&) = delete;

  absl::StatusOr<SpoolPosition> Write(const SpoolWrite& write) override;
  void NoteLost(const std::vector<v1::Event>& events, std::string_view reason) override;
  absl::StatusOr<std::vector<SpoolEntry>> Read(const std::string& epoch, std::uint64_t after,
                                               std::size_t events_max, std::size_t bytes_max) override;
  std::vector<SpoolEpoch> Held() const override;
  SpoolCounts Counts() const override;
  SpoolPosition Last() const override;
  std::uint64_t generation() const override;
  void Resume(const std::string& epoch, std::uint64_t sequence) override;
  void Acknowledge(const std::string& epoch, std::uint64_t through) override;
  absl::Status BeginEpoch() override;
  absl::Status Forget(const std::string& epoch) override;
  absl::Status Sync(const AliveUntil& alive) override;
  absl::StatusOr<SpoolFound> SetAside() override;
  const SpoolFound& found() const override { return found_; }
  absl::StatusOr<std::string> Mark(const std::string& source) override;

 private:
  struct Epoch {
    std::int64_t number = 0;
    SpoolEpoch state;
    bool told = false;   // a server has heard of it
    bool dirty = false;  // acknowledged or told is not on the disk yet
  };
  struct Lost {
    TombstoneBuilder tombstone;
    std::uint64_t count = 0;
    std::string reason;
  };
  class RowWriter;

  explicit SqliteSpool(SqliteSpoolOptions options);
  absl::Status Lock();
  absl::Status Load() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::Status BeginEpochLocked() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  absl::StatusOr<std::uint64_t> TryWrite(const SpoolWrite& write) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::Status WriteState(const SpoolWrite& write) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::Status WriteAlive(const AliveUntil& alive) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::Status WriteEpochs() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void EpochsWritten() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  // Frees `bytes` of the file: what is acknowledged first, then readings, cycles, the rest.
  absl::Status MakeRoom(std::uint64_t bytes) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // The disk is full although the bound is not reached.
  absl::Status MakeRoomOnFullDisk() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // Removes acknowledged entries, oldest first, written before `written_before_s`; about `bytes` of them.
  absl::StatusOr<std::uint64_t> Purge(std::uint64_t bytes, std::int64_t written_before_s)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Purged(std::int64_t place, std::uint64_t last) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::StatusOr<std::uint64_t> BytesUsed() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  bool Acknowledged(std::int64_t place, std::uint64_t last) const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  Epoch* Find(const std::string& epoch) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  Epoch& Own() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return epochs_.rbegin()->second; }
  const Epoch& Own() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return epochs_.rbegin()->second; }

  const SqliteSpoolOptions options_;
  int lock_file_ = -1;
  SpoolFound found_;

  mutable absl::Mutex mutex_;
  std::unique_ptr<SqliteDb> db_ ABSL_GUARDED_BY(mutex_);
  ReserveFile reserve_ ABSL_GUARDED_BY(mutex_);
  std::map<std::int64_t, Epoch> epochs_ ABSL_GUARDED_BY(mutex_);  // by number
  std::uint64_t generation_ ABSL_GUARDED_BY(mutex_) = 0;
  std::uint64_t bytes_used_ ABSL_GUARDED_BY(mutex_) = 0;
  std::uint64_t dropped_ ABSL_GUARDED_BY(mutex_) = 0;
  std::optional<Lost> lost_ ABSL_GUARDED_BY(mutex_);
  // No more tries to make room on a full disk before this.
  absl::Duration room_again_at_ ABSL_GUARDED_BY(mutex_) = absl::ZeroDuration();  // monotonic
};

}  // namespace bayward
