// The clocks of this machine behind one seam, so that loops can be tested without sleeping. Thread-safe.
#pragma once

#include <condition_variable>
#include <cstdint>
#include <mutex>
#include <string>

#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"

namespace bayward {

class Clock {
 public:
  virtual ~Clock() = default;
  // Wall clock, UTC.
  virtual absl::Time Now() const = 0;
  // Since boot, suspended time included; never steps.
  virtual absl::Duration Monotonic() const = 0;

  static Clock& System();
};

// A clock that a test sets.
class FakeClock : public Clock {
 public:
  explicit FakeClock(absl::Time now) : now_(now) {}
  absl::Time Now() const override;
  absl::Duration Monotonic() const override;
  void Advance(absl::Duration by);  // both clocks
  void StepWall(absl::Duration by);

 private:
  mutable absl::Mutex mutex_;
  absl::Time now_ ABSL_GUARDED_BY(mutex_);
  absl::Duration monotonic_ ABSL_GUARDED_BY(mutex_) = absl::Hours(1);
};

// Asks loops to end. Loops wait on it instead of sleeping. The waits go by the steady clock: Abseil's follow
// the wall clock, and a site's may be set back by hours.
class StopFlag {
 public:
  void Stop();
  bool stopped() const;
  // Waits until stopped or `timeout` has passed; true if stopped.
  bool WaitFor(absl::Duration timeout) const;

 private:
  mutable std::mutex mutex_;
  mutable std::condition_variable changed_;
  bool stopped_ = false;
};

// This boot's random id, 16 bytes; a fixed value where the kernel tells none.
std::string BootId();
// Whether the kernel's clock is disciplined by a time source.
bool KernelClockSynced();

}  // namespace bayward
