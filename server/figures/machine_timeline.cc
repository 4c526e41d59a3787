#include <algorithm>
#include <cstddef>
#include <utility>

#include "server/figures/availability.h"
#include "server/timeline/material.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

// What is open: whether it went on after it was last seen is known only at the next snapshot.
absl::Time InDoubtFrom(const MachineHistory& history, const Material& material) {
  const auto open = [](const auto& piece) { return piece.open(); };
  const bool anything_open = std::any_of(material.spells.begin(), material.spells.end(), open) ||
                             std::any_of(material.modes.begin(), material.modes.end(), open);
  if (!history.delivery_expected) return absl::InfiniteFuture();
  return anything_open ? std::min(material.seen_until, history.observed_until) : history.observed_until;
}

}  // namespace

MachineTimeline::MachineTimeline(MachineHistory history_in, const Calendar& calendar, const Interval& extent,
                                 bool count_rehearsal_in)
    : history(std::move(history_in)),
      count_rehearsal(count_rehearsal_in),
      required(RequiredTime(calendar, extent)),
      excluded(ExcludedTime(calendar, extent)),
      voided(history.voided) {
  history.cycles = UsableCycles(history, count_rehearsal);
  conditions = ComputeConditions(history, required, count_rehearsal);
  outages = ComputeOutages(history, required, conditions, count_rehearsal);
  const Material material = UsableMaterial(history, count_rehearsal);
  blocked = BlockedTime(material, Blocking::kAny);
  blocked_external = BlockedTime(material, Blocking::kExternal);
  seen_until = material.seen_until;
  down_before.reserve(conditions.size() + 1);
  absl::Duration down;
  for (const ConditionSpan& span : conditions) {
    down_before.push_back(down);
    if (span.condition == Condition::kDown) down += span.interval.length();
  }
  down_before.push_back(down);
  in_doubt_from = InDoubtFrom(history, material);
}

absl::Duration MachineTimeline::DownWithin(const Interval& interval) const {
  if (interval.empty()) return absl::ZeroDuration();
  const auto down_until = [this](absl::Time t) {
    const auto after =
        std::lower_bound(conditions.begin(), conditions.end(), t,
                         [](const ConditionSpan& s, absl::Time x) { return s.interval.start < x; });
    const auto index = static_cast<std::size_t>(after - conditions.begin());
    if (index == 0) return absl::ZeroDuration();
    const ConditionSpan& last = conditions[index - 1];
    if (last.condition != Condition::kDown || last.interval.end <= t) return down_before[index];
    return down_before[index - 1] + (t - last.interval.start);
  };
  return down_until(interval.end) - down_until(interval.start);
}

}  // namespace bayward
