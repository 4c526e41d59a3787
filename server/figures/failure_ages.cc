#include "server/figures/failure_ages.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <vector>

#include "server/figures/exposure.h"
#include "server/figures/wash_clock.h"

namespace bayward {
namespace {

// Stretches in sight, and how far the axis ran in the unseen ones before each.
struct Sight {
  Interval interval;
  double unseen_before = 0;
};

std::vector<Sight> FindSight(const MachineTimeline& timeline, const Interval& window,
                             const std::vector<UnseenStretch>& unseen) {
  std::vector<Sight> sights;
  std::size_t passed = 0;
  double before = 0;
  bool broken = true;
  for (const ConditionSpan& span : timeline.conditions) {
    Interval part = Intersect(span.interval, window);
    if (part.empty()) continue;
    // An unseen stretch covers a span from its start, all of it or up to where washes are on record.
    if (passed < unseen.size() && unseen[passed].interval.start == part.start) {
      part.start = unseen[passed].interval.end;
      before += unseen[passed].exposure;
      ++passed;
      broken = true;
      if (part.empty()) continue;
    }
    if (broken) sights.push_back({part, before});
    sights.back().interval.end = part.end;
    broken = false;
  }
  return sights;
}

// Both axes by the same three questions.
class AgeClock {
 public:
  AgeClock(const MachineTimeline& timeline, const Interval& window, FailureAxis axis)
      : axis_(axis), hours_(timeline, window), washes_(timeline, window) {}

  double Enters(absl::Time at) const {
    return axis_ == FailureAxis::kUpHours ? hours_.HoursAt(at) : washes_.StartsAt(at);
  }
  double Leaves(absl::Time at) const { return FailsAt(at); }
  double FailsAt(absl::Time at) const {
    return axis_ == FailureAxis::kUpHours ? hours_.HoursAt(at) : washes_.AgeAt(at);
  }

 private:
  FailureAxis axis_;
  UpClock hours_;
  WashClock washes_;
};

}  // namespace

FailureAges AgesOfFailures(const MachineTimeline& timeline, const Interval& window, FailureAxis axis) {
  const AgeClock clock(timeline, window, axis);
  const std::vector<absl::Time> failures = FailuresWithin(timeline, window, /*with_repeats=*/true);
  FailureAges ages;
  auto failure = failures.begin();
  double reached = 0;
  for (const Sight& sight : FindSight(timeline, window, FindUnseen(timeline, window, axis))) {
    const AgeSpan span{std::max(reached, clock.Enters(sight.interval.start) + sight.unseen_before),
                       clock.Leaves(sight.interval.end) + sight.unseen_before};
    const bool moved = span.from < span.to;
    if (moved) ages.unit.at_risk.push_back(span);
    for (; failure != failures.end() && *failure < sight.interval.end; ++failure) {
      if (!moved) {
        ++ages.without_span;
        continue;
      }
      const double least = std::nextafter(span.from, std::numeric_limits<double>::infinity());
      ages.unit.events.push_back(std::clamp(clock.FailsAt(*failure) + sight.unseen_before, least, span.to));
    }
    reached = std::max(reached, span.to);
  }
  ages.without_span += failures.end() - failure;
  return ages;
}

}  // namespace bayward
