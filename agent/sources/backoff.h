// How long to wait before the next try: twice as long after each failure, within bounds, a little different
// each time so that many agents do not come back at once. Thread-compatible.
#pragma once

#include <algorithm>
#include <random>

#include "absl/time/time.h"

namespace bayward {

class Backoff {
 public:
  Backoff(absl::Duration first, absl::Duration longest) : first_(first), longest_(longest), next_(first) {}

  // The wait after one more failure: within a quarter above or below the doubling sequence.
  absl::Duration Next() {
    const absl::Duration wait = next_ * std::uniform_real_distribution<double>(0.75, 1.25)(random_);
    next_ = std::min(next_ * 2, longest_);
    return wait;
  }
  void Reset() { next_ = first_; }

 private:
  absl::Duration first_;
  absl::Duration longest_;
  absl::Duration next_;
  std::minstd_rand random_{std::random_device{}()};
};

}  // namespace bayward
