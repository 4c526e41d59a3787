// On which axis failures are looked at: cumulative wash starts where at least 95 % of the washes were seen, else up
// hours; never the calendar. Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/interval.h"

namespace bayward {

enum class FailureAxis : std::uint8_t { kUpHours, kWashStarts };

// "up hours", "wash starts".
std::string_view AxisUnit(FailureAxis axis);

// Required time in which nobody saw what the machine did, and how far the axis runs on in it at the machine's own
// pace.
struct UnseenStretch {
  Interval interval;
  double exposure = 0;  // >= 0, expected
};

// The stretches of the window that were unknown, people's decisions about them apart: nobody saw a failure there. On
// the axis of wash starts also the up time that lies more than 24 h before the first wash on record: its washes were
// not reported, or are no longer kept. Pace. Up hours: unknown time counts by the share of the seen time in which the
// machine was up; settled time adds nothing, as what was settled as up runs on the clock of up hours already. Wash
// starts: the machine's washes per up hour in the same hour of the week (UTC; over all hours where that one was never
// up in sight) times that share; where people settled it as up, times 1, and as down or withheld, 0.
std::vector<UnseenStretch> FindUnseen(const MachineTimeline& timeline, const Interval& window, FailureAxis axis);

// Over any number of machines.
struct WashesSeen {
  double starts = 0;   // seen in the window
  double missed = 0;   // expected where nobody saw, by FindUnseen
  int unreported = 0;  // machines that were up and have no wash on record: their washes nobody reports

  WashesSeen& operator+=(const WashesSeen& other);
  // starts / (starts + missed); absent where neither is there, 0 where a machine's washes are not reported.
  std::optional<double> share() const;
};
WashesSeen CountWashesSeen(const MachineTimeline& timeline, const Interval& window);

inline constexpr double kWashesSeenMin = 0.95;

FailureAxis ChooseAxis(const WashesSeen& seen);

// "98.7 % of the washes were seen", or why they are no axis.
std::string AxisReason(const WashesSeen& seen);

}  // namespace bayward
