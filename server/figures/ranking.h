// Fault ranking: which fault classes cost the most down time. Figures rule 7. Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/interval.h"

namespace bayward {

// First-out class of outages whose order of faults was not observed.
inline constexpr FaultClassNumber kOrderNotObserved = -1;
// Of unknown time that a person settled as down: no fault is known to have begun it.
inline constexpr FaultClassNumber kSettledAsDown = -2;

enum class RankBy : std::uint8_t { kFirstOut, kAlone, kPresent, kOutages, kFailures };

// A class that keeps a machine down; external spells withhold it and have no row.
struct RankingRow {
  FaultClassNumber fault_class = 0;
  absl::Duration first_out;  // down time of outages it began: sums to D over the rows
  // Down time while only this class blocked, no external cause either: lower bound of what it costs.
  absl::Duration alone;
  absl::Duration present;  // down time while it was active at all: upper bound
  int outages = 0;  // begun in the window, first-out
  int failures = 0;  // of them those that began a failure, observed; of any origin
  int machines = 0;  // that it was first-out on: down time or an outage begun in the window
  double share = 0;  // of down time, by first_out; 0 where there is none
  double cumulative_share = 0;  // down to this row
  int rank = 0;  // from 1
  bool order_matters = false;  // ranks by first_out and by present differ by more than 5
};

// Rows in descending order of the chosen measure; ties by class number. Rows of zero in every column are left
// out.
std::vector<RankingRow> RankFaults(std::span<const MachineTimeline* const> machines, const Interval& window,
                                   RankBy by);
// The same with each machine's own window (civil windows of sites in different zones): as many windows as
// machines.
std::vector<RankingRow> RankFaults(std::span<const MachineTimeline* const> machines,
                                   std::span<const Interval> windows, RankBy by);

}  // namespace bayward
