// Washes and money lost while machines were down or withheld: gross per machine, net per site once neighbours
// and later hours have made up for some, and per hour now. Pure: any thread may compute.
//
// An interval is predictive: it draws jointly the cells' rates, one factor a day for all machines of the site
// and the counts (demand.h), and says where the washes that were not started would have lain.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"
#include "server/figures/demand.h"

namespace bayward {

struct LossOptions {
  double price = 0;  // of a wash, any currency; >= 0, finite
  double confidence = 0.9;  // above 0, below 1, two-sided
  int draws = 2000;  // 100 … 1,000,000
  std::uint64_t seed = 1;  // the same seed gives the same interval
};

// Part of one civil hour.
struct ExposedHour {
  std::size_t machine = 0;  // in the model
  int day = 0;
  int cell = 0;  // 0 … kDemandCells − 1
  double hours = 0;  // 0 … 1
};

struct Predicted {
  double mean = 0;  // wash starts, exact: Σ λ·hours·d
  double lower = 0;  // of the draws
  double upper = 0;
};
// Starts that machines of one site would have had in these hours, all machines up. `factors`: of that site.
// Cost: draws · distinct (machine, cell, day). Errors: InvalidArgument outside the ranges above, and where
// machines are of different sites.
absl::StatusOr<Predicted> PredictStarts(const DemandModel& model, std::span<const ExposedHour> hours,
                                        const DayFactors& factors, const LossOptions& options);

// The same as draws, so that sums over sites have limits of their own: of draws added up one by one, each of
// another seed.
struct DrawnStarts {
  double mean = 0;
  std::vector<double> draws;  // as many as `options.draws`, in the order drawn
};
absl::StatusOr<DrawnStarts> DrawStarts(const DemandModel& model, std::span<const ExposedHour> hours,
                                       const DayFactors& factors, const LossOptions& options);

// The order statistics that leave at most (1 − confidence)/2 of the draws, not empty, outside on either side.
std::pair<double, double> LimitsOf(std::vector<double> draws, double confidence);

// The mean alone, which costs no draws. Errors: as PredictStarts.
absl::StatusOr<double> ExpectedStarts(const DemandModel& model, std::span<const ExposedHour> hours,
                                      const DayFactors& factors);

struct Loss {
  double washes = 0;
  double lower = 0;
  double upper = 0;
  double money = 0;  // each times the price
  double money_lower = 0;
  double money_upper = 0;
};
// For display only: a loss below 0 means that the site washed more than expected, and sums must keep it.
inline double Displayed(double loss) { return loss > 0 ? loss : 0; }

// How long one machine was down and withheld in one civil hour of its required time.
struct LossHour {
  std::size_t machine = 0;
  int day = 0;
  int cell = 0;
  double down_hours = 0;  // 0 … 1, with withheld_hours at most 1 in sum
  double withheld_hours = 0;
};

// What would have started on the machine meanwhile; neighbours may have washed some of it.
struct GrossLoss {
  Loss down;
  Loss withheld;
};
// Of one machine, or of several of one site as a sum. Errors: as PredictStarts.
absl::StatusOr<GrossLoss> ComputeGrossLoss(const DemandModel& model, std::span<const LossHour> hours,
                                           const DayFactors& factors, const LossOptions& options);

inline constexpr int kAftermathHours = 48;  // in which customers who waited may still come

// One machine's hour in the window from an outage's beginning to kAftermathHours after its end: every machine
// of the site has such rows. Time not observed is in neither column, nor are its starts in the observed ones.
struct SiteHour {
  LossHour lost;
  double required_hours = 0;  // observed required time, up, down or withheld: 0 … 1, at least down + withheld
};

// expected − observed starts of the site; below 0 where it washed more than expected.
struct NetLoss {
  double expected = 0;
  std::int64_t observed = 0;
  Loss all;
  // `all` split as the gross losses in the window are; both 0 where nothing was down or withheld.
  Loss down;
  Loss withheld;
};
// `observed` >= 0: sold starts of the site in the window's observed required time. Errors: as PredictStarts.
absl::StatusOr<NetLoss> ComputeNetLoss(const DemandModel& model, std::span<const SiteHour> window,
                                       std::int64_t observed, const DayFactors& factors,
                                       const LossOptions& options);

// What the machines that are down now lose, gross, in an hour of `cell` at the day's factor: the rate, with
// limits of what is not known of it (rates and the site's day, no count noise). `machines` of one site, each
// once. Errors: as PredictStarts; InvalidArgument where `day_factor` is not above 0.
absl::StatusOr<Loss> LossPerHour(const DemandModel& model, std::span<const std::size_t> machines, int cell,
                                 double day_factor, const LossOptions& options);

}  // namespace bayward
