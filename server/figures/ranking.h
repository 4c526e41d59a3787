// Fault ranking: which fault classes cost the most down time. Figures rule 7.
#pragma once

#include <span>
#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/interval.h"

namespace bayward {

// First-out class of outages whose order of faults was not observed.
inline constexpr FaultClassNumber kOrderNotObserved = -1;

enum class RankBy { kFirstOut, kAlone, kPresent, kOutages, kFailures };

struct RankingRow {
  FaultClassNumber fault_class = 0;
  absl::Duration first_out;  // down time of outages it began: sums to D over the rows
  absl::Duration alone;      // down time while only this class blocked: lower bound of what it costs
  absl::Duration present;    // down time while it was active at all: upper bound
  int outages = 0;           // begun in the window, first-out
  int failures = 0;
  int machines = 0;          // that it was first-out on
  double share = 0;          // of down time, by first_out
  double cumulative_share = 0;
  int rank = 0;              // from 1
  bool order_matters = false;  // ranks by first_out and by present differ by more than 5
};

// Rows in descending order of the chosen measure; ties by class number. Rows of zero in every column are left out.
std::vector<RankingRow> RankFaults(std::span<const MachineTimeline* const> machines, const Interval& window,
                                   RankBy by);
// The same with each machine's own window (civil windows of sites in different zones).
std::vector<RankingRow> RankFaults(std::span<const MachineTimeline* const> machines,
                                   std::span<const Interval> windows, RankBy by);

}  // namespace bayward
