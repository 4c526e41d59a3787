// How many of a part to keep on a van or in a depot so that it seldom runs out before the next delivery, and
// what one more of them would save. Pure: any thread may compute.
#pragma once

#include <optional>
#include <span>

#include "absl/status/statusor.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {

// Parts asked for between an order and its delivery: negative binomial, variance mean + mean²/shape.
struct LeadTimeDemand {
  double mean = 0;  // parts; >= 0, at most 100,000
  std::optional<double> shape;  // above 0, finite; absent: Poisson
};

// One machine's use of the part: its failure rate and the exposure (same unit) that it is expected to have in
// the lead time.
struct PartUse {
  GammaRate rate;
  double exposure = 0;  // >= 0, finite
  double parts_per_failure = 1;  // expected share of failures that take one: above 0, at most 1
};

// The sum over machines, whose rates are independent, as one negative binomial with the sum's mean Σ m_i and
// variance Σ m_i + m_i²/α_i, m_i = parts·α_i·e_i/β_i (moments matched; exact for one machine). A van that
// serves them and a depot that serves vans are two calls, each with its own machines and lead time. Errors:
// InvalidArgument outside the ranges above, and where the mean exceeds its range.
absl::StatusOr<LeadTimeDemand> SumLeadTimeDemand(std::span<const PartUse> uses);

struct StockLevel {
  int stock = 0;  // s
  double probability_enough = 0;  // P(demand <= s − 1): one is still there when the delivery comes
  double probability_one_less = 0;  // the same with s − 1
  double expected_short = 0;  // E[(demand − s)⁺], parts asked for in vain in a lead time
  double expected_short_one_more = 0;  // with s + 1
};

// The smallest s with P(demand in the lead time <= s − 1) >= `target`, 0 < target < 1: the smallest base
// stock from which the order that follows the last piece is rare. At least 1. Errors: InvalidArgument outside
// these ranges, and where s would exceed 10,000,000.
absl::StatusOr<StockLevel> SmallestStock(const LeadTimeDemand& demand, double target);

// The figures of a given stock. `stock` >= 0, at most 10,000,000. Errors: InvalidArgument.
absl::StatusOr<StockLevel> JudgeStock(const LeadTimeDemand& demand, int stock);

// Washes that one more piece on the shelf would save in a lead time: (expected_short −
// expected_short_one_more) · `washes_per_stock_out`, which is what is lost while a machine waits for the
// part: extra hours of waiting times the net washes lost per hour. >= 0, finite. Errors: InvalidArgument.
absl::StatusOr<double> WashesSavedByOneMore(const StockLevel& level, double washes_per_stock_out);

}  // namespace bayward
