// From machines' timelines to what trend verdicts are made of: failures on the axis of wash starts or up hours,
// beside those of the other machines of the group. Pure: any thread may compute.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/figures/exposure.h"
#include "server/figures/failure_axis.h"
#include "server/figures/trend_verdict.h"
#include "server/figures/wash_clock.h"
#include "server/model/interval.h"

namespace bayward {

// One machine, taken down to what a verdict needs.
struct TrendMachine {
  std::string group;  // machines of one group share seasons: kind and region
  Interval window;
  UpClock clock;
  std::vector<absl::Time> failures;  // ascending, within the window
  // The machine's axis where its washes were seen (ChooseAxis); absent: up hours.
  std::optional<WashClock> washes = {};

  FailureAxis axis() const { return washes ? FailureAxis::kWashStarts : FailureAxis::kUpHours; }
  // On that axis, over the window, and up to what happened at `at`: after the k-th start of a wash k + 1/2, but no
  // further than the last start.
  double exposure() const { return washes ? washes->starts() : clock.hours(); }
  double ExposureAt(absl::Time at) const;
};

struct JudgedMachine {
  TrendVerdict verdict;
  EventHistory history;  // all failures, on the machine's axis from the window's start
  EventHistory declustered;
};

struct JudgedFleet {
  TrendVerdict fleet;
  // The machines' declustered failures on their pooled wash starts where that is the axis of each, else up hours.
  EventHistory pooled;
  FailureAxis pooled_axis = FailureAxis::kUpHours;
  std::vector<JudgedMachine> machines;  // in the order given
};

// Verdicts at `level` (0 < level < 0.5): the fleet's, and each machine's own with a false-discovery rate of `level`
// over all. Failures within 144 h of operation of the one kept before count as its return (twice the 72 h of a
// repeat, in the machine's exposure of so long on average). What a machine shares with its group, those that have its
// axis too, is taken out by weeks; the pooled axis is linear within a week. A machine whose group had no other
// failure is judged by itself. Errors: InvalidArgument for the level.
absl::StatusOr<JudgedFleet> JudgeFleetTrends(const std::vector<TrendMachine>& machines, double level);

}  // namespace bayward
