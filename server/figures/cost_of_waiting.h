// What a call costs while nobody has come, in money, and what one day more would cost: the expected loss up to an
// instant, allowing for faults that clear without a visit. Pure: any thread may compute.
//
// F(t) = ∫ from now to t of r(u)·S(u)·L(u) du. r: net loss rate in required time, as if all were lost. S:
// probability that the fault has not cleared without a visit after u more hours, by Kaplan and Meier from unvisited
// spells of the class that had lasted as long as this one has. L: share lost while it has not, 1 for a blocking
// fault; for a degrading one φ·G(u) + 1 − G(u), φ the share lost while degraded, G(u) = E exp(−hu) the probability
// that it has not turned blocking, h from a gamma distribution: (β/(β + u))^α. That a fault turns blocking is taken
// to change nothing of when it clears without a visit.
#pragma once

#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/negative_binomial_fit.h"
#include "server/statistics/survival.h"

namespace bayward {

// A stretch of required time, hours from now, and what is lost in one hour of it if the machine is down: money, >= 0,
// finite, lower <= rate <= upper. The limits are of the input's confidence and hold for all stretches together.
struct LossStretch {
  double from = 0;
  double to = 0;  // above from
  double rate = 0;
  double lower = 0;
  double upper = 0;
};

struct WaitingCall {
  std::vector<LossStretch> losses;  // ascending, disjoint, from >= 0; nothing is lost elsewhere
  // Earlier spells of the class, elapsed hours since they were raised: `event` where it cleared without a visit, else
  // it was seen to last so long and then visited, or is still open.
  std::vector<SurvivalCase> unvisited;
  double age_hours = 0;  // of the fault: >= 0, finite
  double share_lost = 1;  // φ: 0 … 1; 1: it blocks
  std::optional<GammaRate> turns_blocking;  // per elapsed hour; absent: never
  double confidence = 0.9;  // two-sided, above 0, below 1
};

struct WaitingCost {
  double value = 0;
  // Of `value` as an expectation: the curve by Greenwood's variance of the weighted area under it (upwards at least
  // to the area under its upper limits, as RestrictedMean), the loss rate and the hazard by their own limits; the
  // three log-distances in quadrature, as they are independent. Lower: absent where no unvisited spell cleared before
  // the end, so that nothing says how soon this one will; then `value` takes it not to.
  std::optional<double> lower;
  double upper = 0;
  // Share of `value` that lies beyond what any unvisited spell was watched: S is held there as it was last known,
  // which is at least as dear as the truth; `lower` takes it as 0.
  double beyond_known = 0;
  int at_risk = 0;  // unvisited spells that had lasted as long
};

// ∫ from `from` to `to` hours from now, 0 <= from <= to, finite: F(to) − F(from). Errors: InvalidArgument outside the
// ranges above.
absl::StatusOr<WaitingCost> CostBetween(const WaitingCall& call, double from, double to);

// Rule 28: F(next visit + 24 h) − F(next visit). `next_visit_hours` from now: the earliest feasible one.
inline constexpr double kDayHours = 24;
absl::StatusOr<WaitingCost> CostOfADayMore(const WaitingCall& call, double next_visit_hours);

}  // namespace bayward
