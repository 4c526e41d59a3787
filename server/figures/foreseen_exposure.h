// How many up hours a machine will likely have in the period ahead, drawn from its present condition, its outages'
// rate and how long restorations take. Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/interval.h"
#include "server/statistics/negative_binomial_fit.h"
#include "server/statistics/survival.h"

namespace bayward {

// How long outages last, in elapsed hours, to draw from: a Kaplan–Meier curve, and from where it ends on a constant
// rate of restoration, restored ones per down hour under the curve. A curve without a restoration: none ever is.
class RestorationLaw {
 public:
  explicit RestorationLaw(const SurvivalCurve& curve);

  double NotRestored(double hours) const;  // S, from 1 at 0 on
  // Hours still to go of an outage that has lasted `age` >= 0 hours: where S has come down to `share`, 0 < share < 1,
  // of what it is at `age`; drawn by an even `share`. Infinite: never.
  double Remaining(double age, double share) const;

 private:
  struct Step {
    double hours = 0;
    double not_restored = 1;
  };
  std::vector<Step> steps_;  // ascending
  double end_ = 0;           // of the curve
  double at_end_ = 1;
  double rate_ = 0;  // an hour, beyond
};

struct ForeseenMachine {
  Interval period;
  IntervalSet required;                    // as planned; only what lies in the period counts
  std::optional<absl::Duration> down_for;  // an outage is under way as the period begins, so long already, elapsed
  GammaRate rate;                          // outages per up hour
  // Of the required time in which no outage holds it, the share in which it is up: the rest it is withheld or nobody
  // watches. 0 … 1.
  double up_share = 1;
};

struct ForeseenOptions {
  int draws = 512;  // 1 … 1,000,000
  int values = 16;  // divides `draws`
  std::uint64_t seed = 1;
};

// Up hours in the period, as equally likely values, ascending: the means of that many equal parts of the sorted
// draws, which keep their mean. Each draw takes a rate from `rate` and then outages and restorations in turn; an
// outage begins in required time only, goes on through closed hours, and repairs do not wait for them. That a draw
// with many outages has fewer up hours is in the values; that both hang together is not in a forecast made of them.
// Errors: InvalidArgument outside the ranges above, for an endless period, or where more than 10,000 outages are to
// be expected.
absl::StatusOr<std::vector<double>> ForeseeUpHours(const ForeseenMachine& machine, const RestorationLaw& law,
                                                   const ForeseenOptions& options = {});

}  // namespace bayward
