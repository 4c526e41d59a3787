// What has to be done again and again beside the work: look for a changed fleet, keep partitions ahead, drop old
// ones, write who was heard, watch the disk. A thread of its own; the getters may be called from any.
#pragma once

#include <cstdint>
#include <string>
#include <thread>

#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "proto/common/clock.h"
#include "server/config/server_config.h"
#include "server/ingest/ingest.h"
#include "server/ingest/presence.h"
#include "server/live/fleet_holder.h"
#include "server/store/database.h"
#include "server/store/live_store.h"

namespace bayward {

struct DiskSpace {
  std::uint64_t free_bytes = 0;
  std::uint64_t total_bytes = 0;
  bool enough = true;  // for taking events in
};
// `enough` as the configuration says. All zero and enough where `path` cannot be examined.
DiskSpace MeasureDisk(const std::string& path, std::uint64_t min_bytes, double min_fraction);

class Housekeeping {
 public:
  Housekeeping(const ServerConfig& config, Database& database, FleetHolder& fleet, LiveStore& live, Ingest& ingest,
               const Presence& presence);
  ~Housekeeping();

  // One full round, before anything else starts. Errors where partitions cannot be made.
  absl::Status Prepare();
  void Start();
  void Stop();  // idempotent; writes who was heard once more

  DiskSpace disk() const;
  // Empty, or why the last round of upkeep failed.
  std::string trouble() const;

 private:
  void Run();
  void RefreshFleet();
  void WatchDisk();
  void Upkeep();
  absl::Status DropOld();
  void SavePresence();

  const ServerConfig& config_;
  Database& database_;
  FleetHolder& fleet_;
  LiveStore& live_;
  Ingest& ingest_;
  const Presence& presence_;

  mutable absl::Mutex mutex_;
  DiskSpace disk_ ABSL_GUARDED_BY(mutex_);
  std::string trouble_ ABSL_GUARDED_BY(mutex_);

  StopFlag stop_;
  std::thread thread_;
};

}  // namespace bayward
