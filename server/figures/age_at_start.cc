#include "server/figures/age_at_start.h"

#include <algorithm>
#include <vector>

#include "server/figures/exposure.h"
#include "server/figures/wash_clock.h"

namespace bayward {
namespace {

IntervalSet Watched(const MachineTimeline& timeline, FailureAxis axis) {
  std::vector<Interval> spans;
  for (const ObservedSpan& span : timeline.history.observed) {
    spans.push_back({span.from, std::min(span.to, timeline.history.observed_until)});
  }
  const IntervalSet watched = IntervalSet(std::move(spans)).Minus(timeline.voided);
  if (axis == FailureAxis::kUpHours) return watched;
  absl::Time first = absl::InfiniteFuture();
  for (const Cycle& cycle : timeline.history.cycles) first = std::min(first, StartOfWash(cycle));
  return watched.Intersect(Interval{first, absl::InfiniteFuture()});
}

double ExposureIn(const MachineTimeline& timeline, const Interval& interval, FailureAxis axis) {
  return axis == FailureAxis::kUpHours ? UpClock(timeline, interval).hours() : WashClock(timeline, interval).starts();
}

}  // namespace

std::optional<AgeAtStart> FindAgeAtStart(const MachineTimeline& timeline, const Interval& window, FailureAxis axis,
                                         absl::Time commissioned_at) {
  if (commissioned_at >= window.start) return AgeAtStart{0, 1};
  const IntervalSet watched = Watched(timeline, axis);
  const double watched_hours = absl::ToDoubleHours(watched.Intersect(window).length());
  if (watched_hours <= 0) return std::nullopt;
  const double pace = ExposureIn(timeline, window, axis) / watched_hours;
  const Interval before{commissioned_at, window.start};
  const absl::Duration seen = watched.Intersect(before).length();
  AgeAtStart at_start;
  at_start.age = ExposureIn(timeline, before, axis) + pace * absl::ToDoubleHours(before.length() - seen);
  at_start.seen_share = absl::FDivDuration(seen, before.length());
  return at_start;
}

}  // namespace bayward
