// A machine's failures by its age since the beginning of a window, with the ages at which somebody would have seen
// one: what the mean cumulative function takes. Pure: any thread may compute.
#pragma once

#include "server/figures/availability.h"
#include "server/figures/failure_axis.h"
#include "server/model/interval.h"
#include "server/statistics/mean_cumulative.h"

namespace bayward {

struct FailureAges {
  UnitHistory unit;       // no span: never in sight
  long without_span = 0;  // failures in a stretch in which the axis did not move, so that no age was at risk
};

// Age 0 is the window's start; where the machine goes into service in the window, let the window begin there. In the
// stretches that FindUnseen names the machine grows older at its own pace and is not at risk: one that is first seen
// later enters late. A failure after the k-th start of a wash has age k + 1/2, and a machine is at risk up to half a
// start beyond the last one seen; a failure at the very beginning of a stretch in sight has the least age after it.
FailureAges AgesOfFailures(const MachineTimeline& timeline, const Interval& window, FailureAxis axis);

}  // namespace bayward
