#include "server/housekeeping.h"

#include <sys/statvfs.h>

#include "absl/time/clock.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/store/retention.h"
#include "server/store/upkeep.h"

namespace bayward {
namespace {

constexpr absl::Duration kFleetEvery = absl::Seconds(1);
constexpr absl::Duration kDiskEvery = absl::Seconds(5);
constexpr absl::Duration kPresenceEvery = absl::Seconds(30);
constexpr absl::Duration kUpkeepEvery = absl::Minutes(30);

}  // namespace

DiskSpace MeasureDisk(const std::string& path, std::uint64_t min_bytes, double min_fraction) {
  DiskSpace disk;
  struct statvfs stat {};
  if (statvfs(path.c_str(), &stat) != 0) return disk;
  disk.free_bytes = static_cast<std::uint64_t>(stat.f_bavail) * stat.f_frsize;
  disk.total_bytes = static_cast<std::uint64_t>(stat.f_blocks) * stat.f_frsize;
  disk.enough = disk.free_bytes >= min_bytes &&
                static_cast<double>(disk.free_bytes) >= min_fraction * static_cast<double>(disk.total_bytes);
  return disk;
}

Housekeeping::Housekeeping(const ServerConfig& config, Database& database, FleetHolder& fleet, LiveStore& live,
                           Ingest& ingest, const Presence& presence)
    : config_(config), database_(database), fleet_(fleet), live_(live), ingest_(ingest), presence_(presence) {}

Housekeeping::~Housekeeping() { Stop(); }

absl::Status Housekeeping::Prepare() {
  BAYWARD_RETURN_IF_ERROR(EnsurePartitions(database_, absl::Now()));
  BAYWARD_RETURN_IF_ERROR(fleet_.Refresh().status());
  WatchDisk();
  return absl::OkStatus();
}

void Housekeeping::Start() {
  thread_ = std::thread([this] { Run(); });
}

void Housekeeping::Stop() {
  if (stop_.stopped()) return;
  stop_.Stop();
  if (thread_.joinable()) thread_.join();
  SavePresence();
}

DiskSpace Housekeeping::disk() const {
  absl::MutexLock lock(&mutex_);
  return disk_;
}

std::string Housekeeping::trouble() const {
  absl::MutexLock lock(&mutex_);
  return trouble_;
}

void Housekeeping::Run() {
  absl::Time disk_due = absl::Now() + kDiskEvery;
  absl::Time presence_due = absl::Now() + kPresenceEvery;
  absl::Time upkeep_due = absl::Now() + kUpkeepEvery;
  while (!stop_.WaitFor(kFleetEvery)) {
    RefreshFleet();
    const absl::Time now = absl::Now();
    if (now >= disk_due) {
      WatchDisk();
      disk_due = now + kDiskEvery;
    }
    if (now >= presence_due) {
      SavePresence();
      presence_due = now + kPresenceEvery;
    }
    if (now >= upkeep_due) {
      Upkeep();
      upkeep_due = now + kUpkeepEvery;
    }
  }
}

void Housekeeping::RefreshFleet() {
  const absl::StatusOr<bool> changed = fleet_.Refresh();
  if (!changed.ok()) {
    spdlog::warn("the fleet's declaration cannot be read: {}", Message(changed.status()));
  } else if (*changed) {
    spdlog::info("the fleet has changed: version {}", fleet_.Get()->version);
    ingest_.FleetChanged();
  }
}

void Housekeeping::WatchDisk() {
  const DiskSpace disk = MeasureDisk(config_.data_dir, config_.disk_free_min_bytes, config_.disk_free_min_fraction);
  bool was_enough = true;
  {
    absl::MutexLock lock(&mutex_);
    was_enough = disk_.enough;
    disk_ = disk;
  }
  ingest_.Hold(!disk.enough);
  if (disk.enough == was_enough) return;
  if (disk.enough) {
    spdlog::info("there is room on the disk again: events are taken in");
  } else {
    spdlog::error("only {} MiB are free on the disk of {}: no events are taken in, agents keep theirs. Make room.",
                  disk.free_bytes >> 20, config_.data_dir);
  }
}

void Housekeeping::Upkeep() {
  absl::Status status = EnsurePartitions(database_, absl::Now());
  if (status.ok()) status = IndexClosedDays(database_, absl::Now());
  if (status.ok()) status = TakeFoldCheckpoint(database_, absl::Now());
  if (status.ok()) status = DropOld();
  if (!status.ok()) spdlog::error("upkeep of the database failed and will be tried again: {}", Message(status));
  absl::MutexLock lock(&mutex_);
  trouble_ = status.ok() ? "" : std::string(Message(status));
}

absl::Status Housekeeping::DropOld() {
  const Retention retention{.event_days = config_.event_days, .cycle_days = config_.cycle_days};
  BAYWARD_ASSIGN_OR_RETURN(const auto dropped, DropExpired(database_, absl::Now(), retention));
  if (!dropped.empty()) {
    spdlog::info("dropped what is past its retention: {} to {}", dropped.front(), dropped.back());
  }
  return absl::OkStatus();
}

void Housekeeping::SavePresence() {
  const absl::Status status = live_.SavePresence(presence_.Agents());
  if (!status.ok()) spdlog::warn("who was heard cannot be written: {}", Message(status));
}

}  // namespace bayward
