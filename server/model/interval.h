// Half-open intervals [start, end) of absolute time, and sorted sets of them.
#pragma once

#include <initializer_list>
#include <vector>

#include "absl/time/time.h"

namespace bayward {

struct Interval {
  absl::Time start;
  absl::Time end;

  bool empty() const { return end <= start; }
  absl::Duration length() const { return empty() ? absl::ZeroDuration() : end - start; }
  bool contains(absl::Time t) const { return start <= t && t < end; }
  bool overlaps(const Interval& other) const { return start < other.end && other.start < end; }
  bool operator==(const Interval&) const = default;
};

// The common part; empty where there is none.
Interval Intersect(const Interval& a, const Interval& b);

// A set of instants, kept as disjoint, non-abutting, non-empty intervals in ascending order.
class IntervalSet {
 public:
  IntervalSet() = default;
  // Any order, overlaps and empties allowed.
  explicit IntervalSet(std::vector<Interval> intervals);
  IntervalSet(std::initializer_list<Interval> intervals)
      : IntervalSet(std::vector<Interval>(intervals)) {}

  const std::vector<Interval>& intervals() const { return intervals_; }
  bool empty() const { return intervals_.empty(); }
  absl::Duration length() const;
  bool contains(absl::Time t) const;

  IntervalSet Union(const IntervalSet& other) const;
  IntervalSet Intersect(const IntervalSet& other) const;
  IntervalSet Intersect(const Interval& other) const;
  IntervalSet Minus(const IntervalSet& other) const;

  bool operator==(const IntervalSet&) const = default;

 private:
  std::vector<Interval> intervals_;
};

}  // namespace bayward
