#include "server/figures/exposure.h"

#include <algorithm>
#include <iterator>

namespace bayward {

UpClock::UpClock(const MachineTimeline& timeline, const Interval& window) {
  for (const ConditionSpan& span : timeline.conditions) {
    if (span.condition != Condition::kUp && span.condition != Condition::kDegraded) continue;
    const Interval up = Intersect(span.interval, window);
    if (up.empty()) continue;
    stretches_.push_back({up, total_});
    total_ += absl::ToDoubleHours(up.length());
  }
}

double UpClock::HoursAt(absl::Time at) const {
  const auto after = std::upper_bound(stretches_.begin(), stretches_.end(), at,
                                      [](absl::Time t, const Stretch& stretch) { return t < stretch.up.start; });
  if (after == stretches_.begin()) return 0;
  const Stretch& last = *std::prev(after);
  return last.before + absl::ToDoubleHours(std::min(at, last.up.end) - last.up.start);
}

std::vector<absl::Time> FailuresWithin(const MachineTimeline& timeline, const Interval& window, bool with_repeats) {
  std::vector<absl::Time> begun;
  for (const Outage& outage : timeline.outages) {
    const bool counts = outage.first_out->origin == Origin::kInternal && outage.begins_failure &&
                        !outage.began_unobserved && window.contains(outage.interval.start);
    if (counts && (with_repeats || !outage.repeat)) begun.push_back(outage.interval.start);
  }
  return begun;
}

}  // namespace bayward
