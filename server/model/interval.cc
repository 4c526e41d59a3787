#include "server/model/interval.h"

#include <algorithm>
#include <utility>

namespace bayward {

Interval Intersect(const Interval& a, const Interval& b) {
  return {std::max(a.start, b.start), std::min(a.end, b.end)};
}

IntervalSet::IntervalSet(std::vector<Interval> intervals) {
  std::erase_if(intervals, [](const Interval& i) { return i.empty(); });
  std::sort(intervals.begin(), intervals.end(),
            [](const Interval& a, const Interval& b) { return a.start < b.start; });
  for (const Interval& next : intervals) {
    if (!intervals_.empty() && next.start <= intervals_.back().end) {
      intervals_.back().end = std::max(intervals_.back().end, next.end);
    } else {
      intervals_.push_back(next);
    }
  }
}

absl::Duration IntervalSet::length() const {
  absl::Duration total;
  for (const Interval& i : intervals_) total += i.length();
  return total;
}

bool IntervalSet::contains(absl::Time t) const {
  auto after = std::upper_bound(intervals_.begin(), intervals_.end(), t,
                                [](absl::Time x, const Interval& i) { return x < i.start; });
  return after != intervals_.begin() && std::prev(after)->contains(t);
}

IntervalSet IntervalSet::Union(const IntervalSet& other) const {
  std::vector<Interval> all = intervals_;
  all.insert(all.end(), other.intervals_.begin(), other.intervals_.end());
  return IntervalSet(std::move(all));
}

IntervalSet IntervalSet::Intersect(const IntervalSet& other) const {
  IntervalSet out;
  auto a = intervals_.begin();
  auto b = other.intervals_.begin();
  while (a != intervals_.end() && b != other.intervals_.end()) {
    const Interval common = bayward::Intersect(*a, *b);
    if (!common.empty()) out.intervals_.push_back(common);
    if (a->end < b->end) {
      ++a;
    } else {
      ++b;
    }
  }
  return out;
}

IntervalSet IntervalSet::Intersect(const Interval& other) const {
  return Intersect(IntervalSet{other});
}

IntervalSet IntervalSet::Minus(const IntervalSet& other) const {
  IntervalSet out;
  auto b = other.intervals_.begin();
  for (Interval rest : intervals_) {
    while (b != other.intervals_.end() && b->end <= rest.start) ++b;
    for (auto cut = b; cut != other.intervals_.end() && cut->start < rest.end; ++cut) {
      if (rest.start < cut->start) out.intervals_.push_back({rest.start, cut->start});
      rest.start = std::max(rest.start, cut->end);
    }
    if (!rest.empty()) out.intervals_.push_back(rest);
  }
  return out;
}

}  // namespace bayward
