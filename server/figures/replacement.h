// Repair, overhaul or replace: what keeping a machine another 12 months will cost against the yearly price of
// a new one, and whether replacing by age pays at all. Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <optional>

#include "absl/status/statusor.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {

inline constexpr int kReplacementFailuresMin = 8;

// The equal yearly payment, at each year's end, that repays `price` less the present worth of `resale` at the
// end of `years`: (price − resale·v)·r/(1 − v), v = (1 + r)^−years; (price − resale)/years at r = 0. `price`
// >= 0, 0 <= `resale` <= `price`, 0 < `years` <= 100, 0 <= `interest` r <= 1 a year. The capital recovery
// factor of engineering economics (Grant, Ireson & Leavenworth, Principles of Engineering Economy). Errors:
// InvalidArgument.
absl::StatusOr<double> YearlyPrice(double price, double resale, double years, double interest);

// What one machine may fail and cost in the next 12 months.
struct YearOfFailures {
  GammaRate rate;  // failures per exposure, with what is not known of it
  double exposure = 0;  // in 12 months: >= 0, finite, one unit with the rate's; mean count at most 100,000
  double cost_mean = 0;  // of one failure: repair, travel and net loss, one currency throughout; >= 0, finite
  double cost_cv =
      0;  // its coefficient of variation, costs being gamma distributed; 0 … 10, 0: always the mean
  double fixed = 0;  // upkeep and the like, whatever fails: >= 0, finite
};

struct ReplacementInput {
  int failures = 0;  // the machine has had: what the rate of `keep` rests on
  YearOfFailures keep;
  YearOfFailures renew;  // the new or overhauled machine: the kind's rate where it has none of its own
  double price = 0;  // bought and installed; the next four as YearlyPrice
  double resale = 0;
  double years = 0;  // that it will serve
  double interest = 0;
  int draws = 10'000;  // 1,000 … 1,000,000
  std::uint64_t seed = 1;  // the same seed gives the same draws
};

struct CostOfYear {
  double mean = 0;  // exact
  double lower = 0;  // 90 % predictive, of the draws
  double upper = 0;
};

struct ReplacementFigures {
  CostOfYear keep;
  CostOfYear renew;  // with the yearly price
  double yearly_price = 0;
  // Failures in 12 months at which keeping costs what renewing is expected to cost; 0 where its fixed cost
  // alone does; absent where failures cost nothing.
  std::optional<double> break_even_failures;
  // The price at which both are expected to cost the same; absent where even a free one costs more.
  std::optional<double> break_even_price;
  double probability_keep_dearer = 0;  // share of joint draws in which keeping costs more in the year
  double standard_error = 0;  // of that, from the number of draws
  // P that keeping costs more on average over the years, rates drawn and costs at their mean: chance of
  // single years aside.
  double probability_keep_dearer_on_average = 0;
};

// Failures in 12 months are Poisson given the rate drawn: negative binomial. Absent, "too few to say", with
// fewer than kReplacementFailuresMin failures. Errors: InvalidArgument outside the ranges above.
absl::StatusOr<std::optional<ReplacementFigures>> ComputeReplacement(const ReplacementInput& input);

// Whether to renew by age or cycles. The power law's exponent and scale: expected failures by age t are
// (t/scale)^β.
struct AgeInput {
  int failures = 0;
  double beta = 0;  // above 0, finite
  double beta_lower = 0;  // one-sided 95 % lower limit: above 0, at most beta
  double scale = 0;  // age by which one failure is expected: above 0, finite
  double renewal_cost = 0;  // above 0, finite
  double failure_cost = 0;  // of one, repaired so that the machine is as old as before: above 0, finite
};

enum class AgeVerdict : std::uint8_t {
  kTooFew,  // fewer than kReplacementFailuresMin failures
  kAgeDoesNotPay,  // beta_lower <= 1: an old machine is not shown to fail more than a young one
  kAgePays,
};
// In plain words, as "waiting for age does not pay".
const char* AgeVerdictWords(AgeVerdict verdict);

struct AgePolicy {
  AgeVerdict verdict = AgeVerdict::kTooFew;
  // Where it pays: the age T of least cost per unit of age, T = scale·(renewal/(failure·(β − 1)))^(1/β), and
  // that cost, renewal·β/((β − 1)·T), with β as estimated (Barlow, R., Hunter, L. (1960), Optimum preventive
  // maintenance policies, Operations Research 8:90–100, policy II: minimal repair).
  std::optional<double> renew_at;
  std::optional<double> cost_rate;
};
// Errors: InvalidArgument outside these ranges.
absl::StatusOr<AgePolicy> ComputeAgePolicy(const AgeInput& input);

}  // namespace bayward
