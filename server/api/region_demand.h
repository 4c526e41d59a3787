// A region's machines as demand and losses need them, and how many washes its customers would start: read and fitted
// for all its machines, whatever a question asks about. Plain values, private to the figures handlers.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/figures/civil_hours.h"
#include "server/figures/demand.h"
#include "server/figures/demand_hours.h"
#include "server/figures/loss_ledger.h"
#include "server/figures/lost_time.h"
#include "server/figures/wash_price.h"

namespace bayward {

// How far before a window hours teach.
inline constexpr absl::Duration kDemandReach = absl::Hours(24 * 7 * 26);
// Cycles received longer ago may have been dropped (retention.cycle_days): time without them teaches nothing.
inline constexpr absl::Duration kCyclesKept = absl::Hours(24 * 400);
// A longer window has a fit for each of its weeks.
inline constexpr absl::Duration kOneFitMax = absl::Hours(24 * 7 * 5);

struct RegionMachine {
  const Machine* machine = nullptr;
  std::size_t site = 0;  // in RegionHistory::sites
  bool asked = false;  // in the question's scope
  MachineWatch watch;
  LostTime lost;  // in the question's window; of machines of asked sites
  std::optional<StoppedNow> now;
};

struct RegionSite {
  const Site* site = nullptr;
  bool asked = false;  // any of its machines is
  Interval window;  // of the question; empty where not asked
  std::vector<CivilHour> hours;
  WashPrice price;
  std::vector<std::size_t> machines;

  WashValue ValueBefore(absl::Time at) const { return {price.MeanBefore(at), site->currency}; }
};

struct RegionHistory {
  std::string region;
  std::vector<RegionSite> sites;
  std::vector<RegionMachine> machines;  // those that wash
  std::vector<DemandMachine> demand;  // of `machines`
  std::vector<absl::Duration> outages;  // elapsed, of asked sites' machines, restored within the time read
  GroupAccount total{.group = "total"};  // of the asked machines over the window, those that never wash included
  std::uint32_t asked_that_wash = 0;
  std::uint32_t asked_that_never_wash = 0;  // of a kind of which no wash was seen in the region
};

// The regions of the machines asked about, in order.
std::vector<std::string> RegionsOf(const FiguresQuestion& question);

// `from`: as far back as hours shall teach.
absl::StatusOr<RegionHistory> ReadRegion(const FiguresSources& sources, const FiguresQuestion& question,
                                         const std::string& region, absl::Time from);

// Demand as it was known when a part of the window began.
struct DemandPeriod {
  Interval interval;
  DemandModel model;
  std::vector<DayFactors> factors;  // by site; empty where not asked
};

struct RegionDemand {
  std::vector<DemandPeriod> periods;  // those that are known, in order; together at most the window and all after it
  std::string not_known;  // why some, or all, are not; empty: all are
};

// One fit for a window of at most kOneFitMax, as of its first day; else one for each week, as of the week's first.
absl::StatusOr<RegionDemand> FitRegion(const RegionHistory& history, const Interval& hull);

// One fit as of the interval's first date, with factors for the asked sites' days in it. InvalidArgument where hours
// are too few.
absl::StatusOr<DemandPeriod> FitAsOf(const RegionHistory& history, const Interval& interval);

}  // namespace bayward
