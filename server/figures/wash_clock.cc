#include "server/figures/wash_clock.h"

#include <algorithm>

namespace bayward {

WashClock::WashClock(const MachineTimeline& timeline, const Interval& window) : window_(window) {
  for (const Cycle& cycle : timeline.history.cycles) {
    if (window.contains(StartOfWash(cycle))) starts_.push_back(StartOfWash(cycle));
  }
  std::sort(starts_.begin(), starts_.end());
}

double WashClock::StartsAt(absl::Time at) const {
  if (at <= window_.start) return 0;
  return static_cast<double>(std::upper_bound(starts_.begin(), starts_.end(), at) - starts_.begin());
}

absl::Time StartOfWash(const Cycle& cycle) {
  return cycle.started_at == absl::InfinitePast() ? cycle.finished_at : cycle.started_at;
}

}  // namespace bayward
