// What a machine was exposed to and how it failed, as the statistics of failures take them. Pure: any thread may
// compute.
#pragma once

#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/interval.h"

namespace bayward {

// Up hours (degraded included) of a machine from the beginning of a window: the axis on which failures of machines that
// stand still at night can be compared. Keeps no reference to the timeline.
class UpClock {
 public:
  UpClock(const MachineTimeline& timeline, const Interval& window);

  // Hours up to `at`, 0 before the window, all of them after it. Logarithmic.
  double HoursAt(absl::Time at) const;
  double hours() const { return total_; }

 private:
  struct Stretch {
    Interval up;
    double before = 0;  // hours before it
  };
  std::vector<Stretch> stretches_;
  double total_ = 0;
};

// When the failures of the window began: internal first-out, their beginning observed. `with_repeats`: also those that
// began within 72 h after an outage of the same class was restored.
std::vector<absl::Time> FailuresWithin(const MachineTimeline& timeline, const Interval& window, bool with_repeats);

}  // namespace bayward
