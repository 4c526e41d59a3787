// Wakes one waiting thread. Thread-safe. It waits on the steady clock: Abseil's timed waits follow the wall
// clock, and a site's may be set back by hours.
#pragma once

#include <chrono>
#include <condition_variable>
#include <mutex>

#include "absl/time/time.h"

namespace bayward {

class Signal {
 public:
  void Set() {
    {
      std::lock_guard<std::mutex> lock(mutex_);
      set_ = true;
    }
    changed_.notify_one();
  }

  // Until it has been set since the last wait, at most `timeout`.
  void Wait(absl::Duration timeout) {
    constexpr absl::Duration kLongest = absl::Hours(1);
    std::unique_lock<std::mutex> lock(mutex_);
    changed_.wait_for(lock, absl::ToChronoMicroseconds(timeout < kLongest ? timeout : kLongest),
                      [this] { return set_; });
    set_ = false;
  }

 private:
  std::mutex mutex_;
  std::condition_variable changed_;
  bool set_ = false;
};

}  // namespace bayward
