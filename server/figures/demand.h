// How many washes customers would start in an hour if every machine of the site were ready: learned from
// hours in which all of them were, by hour of the week, moved by how busy the region's other sites were on
// the day. Pure: any thread may compute.
//
// Model: starts of machine i in hour h of day t are Poisson with mean λ_ih · e · D_t, e the exposure in
// hours, λ_ih from a gamma distribution, D_t = d_t · o_t the site's day, d_t what the other sites say, o_t
// from a gamma with mean 1.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/statusor.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {

inline constexpr int kWeekCells = 168;  // hour of the week, 0 = Monday 00:00 to 01:00 civil time of the site
// Then the hours of a public holiday, whatever its weekday.
inline constexpr int kDemandCells = kWeekCells + 24;

// What one machine did in the part of one civil hour in which every machine of its site was up, observed and
// required.
struct DemandHour {
  int day = 0;  // civil day, counted from any fixed day
  int cell = 0;  // 0 … kDemandCells − 1
  double up_hours = 0;  // length of that part: 0 … 1
  int starts = 0;  // sold wash starts of this machine in it, >= 0; no tests, no staff washes
  double utilisation = 0;  // share of it in which this machine was washing: 0 … 1
};

struct DemandMachine {
  std::size_t site = 0;  // numbered from 0, below the number of machines
  std::vector<DemandHour> hours;  // any order
};

struct DemandOptions {
  int as_of_day = 0;  // only days before it teach: for a loss, the day on which the outage began
  double half_life_weeks = 8;  // an hour that old counts half; above 0, finite
  double utilisation_max = 0.85;  // busier hours are left out: customers may have been turned away; 0 … 1
};

struct MachineDemand {
  std::size_t site = 0;
  std::array<GammaRate, kDemandCells> cells;  // wash starts per hour on a day with D = 1
  std::int64_t hours_used = 0;
  std::int64_t hours_left_out = 0;  // busier than utilisation_max
};

struct DemandModel {
  std::vector<MachineDemand> machines;  // in the order given
  double prior_shape = 0;  // κ: how closely cells follow the pooled week
  // Wash starts of other sites that the assumption "a day like any other" outweighs; absent: they say nothing
  // about this site's days, or there are none.
  std::optional<double> region_weight;
  // Shape of o_t: coefficient of variation 1/√shape; absent: days vary no more than chance does.
  std::optional<double> own_day_shape;

  double MeanRate(std::size_t machine, int cell) const;  // shape/inverse_scale, starts per hour
};

// Whether FitDemand learns from an hour: up, not busier than utilisation_max, before as_of_day, and no more
// than kHalfLivesMax half-lives before it.
bool Teaches(const DemandHour& hour, const DemandOptions& options);
inline constexpr double kHalfLivesMax = 60;

// `machines`: those of one region, all sites. Counts and exposures are discounted by 2^(−age/half-life) (a
// power discount: what is long ago says less, not something else), exposure is hours times the day's factor.
// Prior of machine i in cell h: gamma with shape κ and mean level_i·p_h; p_h the other machines' starts per
// hour in that cell, with a fifth of an hour at their overall rate added, so that a single machine falls back
// on its own overall rate; level_i = (1 + X_i)/(1 + Σ_h p_h·E_ih); κ by marginal likelihood (negative
// binomial), counts brought to their effective size (Σw)²/Σw². Posterior: shape κ + X_ih, inverse scale
// κ/(level_i·p_h) + E_ih. Then, each hour predicted without itself: region_weight a by quasi-likelihood of
// the site's days given d_t = (a + Y)/(a + M), Y observed and M expected starts of the other sites that day;
// own_day_shape by negative-binomial likelihood of the site's days. Cost: hours + machines · cells. Errors:
// InvalidArgument outside the ranges above; where no hour can be used; with fewer than kDemandDaysMin days of
// all sites together, "too few to say".
absl::StatusOr<DemandModel> FitDemand(std::span<const DemandMachine> machines, const DemandOptions& options);
inline constexpr int kDemandDaysMin = 28;  // site-days

// d_t by day for one site, from all hours (not only before as_of_day) of the others that are not busier than
// `options.utilisation_max`. A day that is not in it has the factor 1.
using DayFactors = absl::flat_hash_map<int, double>;
// `machines` as given to FitDemand, or with more days. Errors: InvalidArgument as FitDemand, and where the
// model has another number of machines or `site` none.
absl::StatusOr<DayFactors> SameDayFactors(const DemandModel& model, std::span<const DemandMachine> machines,
                                          std::size_t site, const DemandOptions& options);

// "12 of 480 hours, busier than 85 %, are left out of the estimate: ..."; empty where there were none.
std::string LeftOutNote(const MachineDemand& machine, const DemandOptions& options);

}  // namespace bayward
