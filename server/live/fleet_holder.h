// The declared fleet as this process sees it: loaded when its version changes, replaced, never changed. Thread-safe.
#pragma once

#include <functional>
#include <memory>

#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "server/model/fleet.h"
#include "server/store/registry_store.h"

namespace bayward {

class FleetHolder {
 public:
  explicit FleetHolder(RegistryStore& registry) : registry_(registry), fleet_(std::make_shared<Fleet>()) {}

  std::shared_ptr<const Fleet> Get() const;
  // Looks for a newer version; true where there was one.
  absl::StatusOr<bool> Refresh();

 private:
  RegistryStore& registry_;
  mutable absl::Mutex mutex_;
  std::shared_ptr<const Fleet> fleet_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace bayward
