// Whether an availability promised for a contract period will likely be kept, given how it went so far:
// probability of missing it, expected service credit, and the hours of down time still affordable. Pure: any
// thread may compute.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {

// Below this availability this credit is due; the lowest step reached counts alone.
struct CreditStep {
  double below = 0;  // above 0, at most 1
  double credit = 0;  // money: >= 0, finite
};

// A machine under the promise, from now to the period's end.
struct PromisedMachine {
  GammaRate rate;  // outages per up hour
  double required_left_hours = 0;  // >= 0, finite; at most 1,000,000
  // If it is down now: how much longer, required hours, as samples from the restoration curve beyond its age;
  // else empty.
  std::vector<double> down_for_hours;
};

struct PromiseInput {
  double target = 0;  // availability: above 0, below 1
  // Of all machines under the promise, the period so far; hours, >= 0. down + unknown <= required_so_far.
  double required_so_far_hours = 0;
  double down_hours = 0;
  double unknown_hours = 0;  // may turn out to be down
  std::vector<PromisedMachine> machines;  // required time so far and left together above 0
  // Down times to draw from, required hours, >= 0: equally likely; at least one unless no time is left.
  std::vector<double> restoration_hours;
  std::vector<CreditStep> credits;  // any order; credit must not fall as availability does
  int draws = 10'000;  // 1,000 … 1,000,000
  std::uint64_t seed = 1;  // the same seed gives the same draws
};

// Low counts all unknown time so far as up, high all as down. Availability is 1 − down/required of the whole
// period.
struct PromiseOutlook {
  double probability_missed_low = 0;
  double probability_missed_high = 0;
  double standard_error = 0;  // of the larger of the two errors, from the number of draws
  double expected_credit_low = 0;
  double expected_credit_high = 0;
  double affordable_hours_low =
      0;  // (1 − target)·required of the period − down − unknown; negative: missed already
  double affordable_hours_high = 0;  // without − unknown
  double expected_down_hours = 0;  // still to come
  double down_hours_90 = 0;  // still to come: 9 in 10 draws have at most as much
  double availability_median = 0;  // at the period's end, unknown time counted as up
};

// Each draw: a machine's rate from its gamma; then, until its required time is used up, up time exponential
// with that rate and down time drawn from the restorations, the last one cut at the end; the outages in a
// given up time are negative binomial over the draws. Cost: draws · outages. A mean of at most 10,000 outages
// a machine. Errors: InvalidArgument outside the ranges above.
absl::StatusOr<PromiseOutlook> ComputePromiseOutlook(const PromiseInput& input);

// The credit of an availability by the steps: that of the lowest `below` above it; 0 where none is.
double CreditFor(std::span<const CreditStep> credits, double availability);

}  // namespace bayward
