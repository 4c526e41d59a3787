#include "server/timeline/settlement.h"

#include <algorithm>
#include <cstddef>
#include <set>
#include <utility>

namespace bayward {

std::vector<Settlement> EffectiveSettlements(const std::vector<Settlement>& settlements) {
  struct Border {
    absl::Time at;
    bool begins;
    std::size_t index;
  };
  std::vector<Border> borders;
  for (std::size_t i = 0; i < settlements.size(); ++i) {
    const Interval& interval = settlements[i].interval;
    if (interval.empty()) continue;
    borders.push_back({interval.start, true, i});
    borders.push_back({interval.end, false, i});
  }
  std::sort(borders.begin(), borders.end(), [](const Border& a, const Border& b) { return a.at < b.at; });
  std::set<std::pair<absl::Time, std::size_t>> active;  // by recorded_at
  std::vector<Settlement> effective;
  for (std::size_t i = 0; i < borders.size();) {
    const absl::Time at = borders[i].at;
    for (; i < borders.size() && borders[i].at == at; ++i) {
      const std::pair key(settlements[borders[i].index].recorded_at, borders[i].index);
      if (borders[i].begins) {
        active.insert(key);
      } else {
        active.erase(key);
      }
    }
    if (active.empty()) continue;
    effective.push_back(settlements[active.rbegin()->second]);
    effective.back().interval = {at, borders[i].at};
  }
  return effective;
}

std::vector<ConditionSpan> Settle(const std::vector<ConditionSpan>& spans,
                                  const std::vector<Settlement>& effective) {
  std::vector<ConditionSpan> out;
  out.reserve(spans.size());
  auto next = effective.begin();
  for (ConditionSpan rest : spans) {
    while (next != effective.end() && next->interval.end <= rest.interval.start) ++next;
    if (rest.condition != Condition::kUnknown) {
      out.push_back(rest);
      continue;
    }
    for (auto by = next; by != effective.end() && by->interval.start < rest.interval.end; ++by) {
      const Interval settled = Intersect(rest.interval, by->interval);
      if (rest.interval.start < settled.start) {
        ConditionSpan before = rest;
        before.interval.end = settled.start;
        out.push_back(before);
      }
      out.push_back({.interval = settled, .condition = by->as, .settled = true});
      rest.interval.start = settled.end;
    }
    if (!rest.interval.empty()) out.push_back(rest);
  }
  return out;
}

}  // namespace bayward
