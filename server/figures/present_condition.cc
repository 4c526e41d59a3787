#include "server/figures/present_condition.h"

#include <iterator>

namespace bayward {

Condition PresentCondition(const MachineTimeline& timeline, absl::Time now) {
  const auto& spans = timeline.conditions;
  if (spans.empty() || spans.back().interval.end < now) return Condition::kNotRequired;
  const ConditionSpan& last = spans.back();
  const bool late = last.unknown == UnknownKind::kPending && last.interval.length() <= kSeenLateMax;
  if (!late || spans.size() < 2) return last.condition;
  const ConditionSpan& before = *std::prev(spans.end(), 2);
  return before.interval.end == last.interval.start ? before.condition : last.condition;
}

}  // namespace bayward
