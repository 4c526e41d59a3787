// How many washes a machine has begun since the beginning of a window: the axis on which machines wear. Pure: any
// thread may compute.
#pragma once

#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/interval.h"

namespace bayward {

// Every wash on record that was begun in the window counts, in required time or not; one whose start was not seen at
// its finish. Keeps no reference to the timeline.
class WashClock {
 public:
  WashClock(const MachineTimeline& timeline, const Interval& window);

  // Washes begun up to and with `at`, 0 up to the window's start, all of them after it. Logarithmic.
  double StartsAt(absl::Time at) const;
  // Where something that happened at `at` stands between the wash begun last and the next: after the k-th start at k
  // + 1/2.
  double AgeAt(absl::Time at) const { return StartsAt(at) + 0.5; }
  double starts() const { return static_cast<double>(starts_.size()); }

 private:
  Interval window_;
  std::vector<absl::Time> starts_;  // ascending
};

// When a wash began, as far as it is known: its finish where its start was not seen.
absl::Time StartOfWash(const Cycle& cycle);

}  // namespace bayward
