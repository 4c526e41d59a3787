#include "server/figures/lost_time.h"

#include <algorithm>
#include <utility>
#include <vector>

#include "server/figures/lost_washes.h"
#include "server/figures/ranking.h"

namespace bayward {
namespace {

IntervalSet TimeIn(const MachineTimeline& timeline, Condition condition, const Interval& window) {
  std::vector<Interval> spans;
  for (const ConditionSpan& span : timeline.conditions) {
    if (span.condition == condition && span.interval.overlaps(window))
      spans.push_back(Intersect(span.interval, window));
  }
  return IntervalSet(std::move(spans));
}

}  // namespace

LostTime LostTimeOf(const MachineTimeline& timeline, const Interval& window) {
  LostTime lost{.down = TimeIn(timeline, Condition::kDown, window),
                .withheld = TimeIn(timeline, Condition::kWithheld, window),
                .down_by_class = {}};
  IntervalSet of_outages;
  for (const Outage& outage : timeline.outages) {
    if (!outage.interval.overlaps(window)) continue;
    const IntervalSet part = lost.down.Intersect(outage.interval);
    if (part.empty()) continue;
    IntervalSet& of_class =
        lost.down_by_class[outage.order_observed ? outage.first_out->fault_class : kOrderNotObserved];
    of_class = of_class.Union(part);
    of_outages = of_outages.Union(part);
  }
  IntervalSet settled = lost.down.Minus(of_outages);
  if (!settled.empty()) lost.down_by_class[kSettledAsDown] = std::move(settled);
  return lost;
}

IntervalSet NetTime(std::span<const IntervalSet> stopped, const Interval& window, absl::Time now) {
  IntervalSet lost;
  for (const IntervalSet& machine : stopped) lost = lost.Union(machine);
  absl::Time until = now;
  const IntervalSet later = lost.Intersect(Interval{window.end, absl::InfiniteFuture()});
  if (!later.empty()) until = std::min(until, later.intervals().front().start);
  const IntervalSet within = lost.Intersect(window);
  std::vector<Interval> told;
  for (const Interval& span : within.intervals()) {
    told.push_back({span.start, span.end + absl::Hours(kAftermathHours)});
  }
  return IntervalSet(std::move(told)).Intersect(Interval{window.start, std::max(window.end, until)});
}

std::optional<StoppedNow> StoppedAtEnd(const MachineTimeline& timeline, absl::Time now) {
  const std::vector<ConditionSpan>& spans = timeline.conditions;
  if (spans.empty() || spans.back().interval.end < now) return std::nullopt;
  std::size_t last = spans.size() - 1;
  const bool awaited =
      spans[last].unknown == UnknownKind::kPending && now - spans[last].interval.start <= kNowAwaited;
  if (awaited && last > 0 && spans[last - 1].interval.end == spans[last].interval.start) --last;
  const Condition condition = spans[last].condition;
  if (condition != Condition::kDown && condition != Condition::kWithheld) return std::nullopt;
  const absl::Time seen_at = spans[last].interval.start;
  for (const Outage& outage : timeline.outages) {
    if (condition == Condition::kDown && outage.interval.contains(seen_at))
      return StoppedNow{condition, outage.interval.start};
  }
  while (last > 0 && spans[last - 1].condition == condition) --last;
  return StoppedNow{condition, spans[last].interval.start};
}

}  // namespace bayward
