// From machines' timelines to what trend verdicts are made of: failures on the axis of up hours, beside those of the other
// machines of the group. Pure: any thread may compute.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/figures/exposure.h"
#include "server/figures/trend_verdict.h"
#include "server/model/interval.h"

namespace bayward {

// One machine, taken down to what a verdict needs.
struct TrendMachine {
  std::string group;  // machines of one group share seasons: kind and region
  Interval window;
  UpClock clock;
  std::vector<absl::Time> failures;  // ascending, within the window
};

struct JudgedMachine {
  TrendVerdict verdict;
  EventHistory history;  // all failures, on up hours from the window's start
};

struct JudgedFleet {
  TrendVerdict fleet;
  EventHistory pooled;  // the machines' declustered failures on their pooled up hours
  std::vector<JudgedMachine> machines;  // in the order given
};

// Verdicts at `level` (0 < level < 0.5): the fleet's, and each machine's own with a false-discovery rate of `level` over
// all. Failures within 144 h of operation of the one kept before count as its return (twice the 72 h of a repeat, in up
// hours of the machine). What a machine shares with its group is taken out by weeks; the pooled axis is linear within a
// week. A machine whose group had no other failure is judged by itself. Errors: InvalidArgument for the level.
absl::StatusOr<JudgedFleet> JudgeFleetTrends(const std::vector<TrendMachine>& machines, double level);

}  // namespace bayward
