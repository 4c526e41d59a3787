#include "server/live/fleet_holder.h"

#include <utility>

#include "proto/common/status.h"

namespace bayward {

std::shared_ptr<const Fleet> FleetHolder::Get() const {
  absl::MutexLock lock(&mutex_);
  return fleet_;
}

absl::StatusOr<bool> FleetHolder::Refresh() {
  BAYWARD_ASSIGN_OR_RETURN(const std::int64_t version, registry_.Version());
  if (version == Get()->version) return false;
  BAYWARD_ASSIGN_OR_RETURN(std::shared_ptr<const Fleet> loaded, registry_.Load());
  absl::MutexLock lock(&mutex_);
  fleet_ = std::move(loaded);
  return true;
}

}  // namespace bayward
