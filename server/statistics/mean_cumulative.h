// How many events a unit has had by an age, on average over units: the mean cumulative function of repairs,
// with units that come under observation late, leave early or are out of sight in between. Pure: any thread
// may compute.
//
// M(t) = Σ over event ages u <= t of d(u)/n(u), n(u) the units at risk at u. No model of the events is
// assumed. Its variance is the robust one only, Var M(t) = Σ over units i of (Σ over u <= t of Y_i(u)/n(u) ·
// (d_i(u) − d(u)/n(u)))², Y_i(u) = 1 while i is at risk: it holds also where a unit's events come in clusters
// (Lawless and Nadeau 1995, Technometrics 37:158–168). A variance that adds the steps as if independent is
// too small then, and Nelson's unbiased one can be negative.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"

namespace bayward {

// A unit is at risk at ages `from` < u <= `to`: one that leaves at u still is, one that enters at u not yet,
// so that an event tied with a censoring counts first. Ages in any one unit: hours of up time, washes begun,
// never calendar time.
struct AgeSpan {
  double from = 0;
  double to = 0;
};
struct UnitHistory {
  std::vector<AgeSpan> at_risk;  // ascending, disjoint; may abut
  // Ascending, each within one of the spans; equal ages are several events. Where age is a count of washes
  // begun, let an event after the k-th beginning have age k + 1/2: none then falls on the age at which
  // observation begins.
  std::vector<double> events;
};

struct MeanCumulativeStep {
  double age = 0;
  long at_risk = 0;  // n
  long events = 0;  // d > 0
  double mean = 0;
  double variance = 0;
  // mean·exp(∓z·√variance/mean), at each age for itself; 95 % limits hold in 91 % of cases with 30 units whose
  // rates have a coefficient of variation of 0.7. Absent where the variance is zero: a single unit was at risk,
  // or those that were did not differ, and nothing is known of how units vary.
  std::optional<double> lower;
  std::optional<double> upper;
};

// Events since age `from`, the earliest at which a unit was at risk.
struct MeanCumulative {
  double from = 0;
  // Where the last unit left, or the first age from which on none is at risk though later some are: what was
  // missed there is not known, and the ages beyond are left out.
  double until = 0;
  std::vector<MeanCumulativeStep> steps;  // ascending, with events
  long events_left_out = 0;  // beyond `until`
};

// `units`: spans with from < to, finite; none is allowed and gives no steps. 0 < `confidence` < 1, two-sided.
// Errors: InvalidArgument outside these ranges or where an event was not under observation. Time n log n.
absl::StatusOr<MeanCumulative> EstimateMeanCumulative(std::span<const UnitHistory> units,
                                                      double confidence = 0.95);

// M at an age from..until; absent outside.
std::optional<double> MeanCumulativeAt(const MeanCumulative& curve, double age);

struct MeanCumulativeDifferenceStep {
  double age = 0;
  double difference = 0;
  double variance = 0;  // the sum of both
  // difference ∓ z·√variance, normal, since it may have either sign. Absent where the variance is zero.
  std::optional<double> lower;
  std::optional<double> upper;
};

// M of `a` less M of `b` at every event age of either while both are known, both counted from the later of
// their beginnings; the two groups have no unit in common and are independent (Lawless and Nadeau 1995;
// Nelson 2003, Recurrent Events Data Analysis). Empty where the two have no age in common. Errors as
// above.
absl::StatusOr<std::vector<MeanCumulativeDifferenceStep>> CompareMeanCumulative(
    std::span<const UnitHistory> a, std::span<const UnitHistory> b, double confidence = 0.95);

}  // namespace bayward
