// Fair comparison of machines of one kind: failure rates held back towards the kind's mean as far as chance
// demands, so that a machine is not called bad for one unlucky month. Pure: any thread may compute.
//
// Model: gamma–Poisson, integrated over the gamma's mean and coefficient of variation (gamma_poisson.h), so
// that the intervals allow for what is not known of the kind.
//
// What the list of worse machines finds, of those truly above twice the kind's mean (1 in 10 here) and of those
// above three times it; and what it would find for one who knew the kind's distribution. Simulated, rates with a
// coefficient of variation of 0.8:
//
//   machines of the kind         30   30   30   30   30   300  300
//   failures of a mean machine    2    5   10   20   50     5   20
//   found                       5 % 18 % 31 % 44 % 53 %  36 % 71 %
//   found above three times    16 % 46 % 73 % 88 % 96 %  71 % 99 %
//   found knowing the kind      8 % 30 % 45 % 62 % 79 %  39 % 73 %
//
// So it is for want of evidence: few failures tell little of a machine, 30 machines little of their mean, and on a
// short list one machine more soon means more than 10 % wrong (such lists state 5 to 6 %). At given probabilities
// no list with as small an expected false share holds more truly worse ones. A longer window finds more.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/gamma_poisson.h"

namespace bayward {

struct ComparisonOptions {
  double confidence = 0.95;  // above 0, below 1, two-sided, of every interval
  double worse_factor = 2;  // "worse" is above this many times the kind's mean rate; above 0
  // Joint draws of all rates for the ranks: 100 … 100,000, or 0: as many as give 100,000 rates, at least 250
  // and at most 4000. Two standard errors of an expected rank are then a 30th of its interval or less.
  int draws = 0;
  std::uint64_t seed = 1;  // the same seed gives the same ranks; nothing else depends on it
  LogPrior prior = FlatMeanHalfNormalCv;
};

// Rates are failures per unit of exposure.
struct ComparedMachine {
  double raw = 0;  // x/t
  double mean = 0;  // posterior
  double lower = 0;
  double upper = 0;
  double probability_worse = 0;  // P, that the rate is above worse_factor times the kind's mean
  // 1 is the highest rate. The mean of the posterior of the rank need not be whole.
  double expected_rank = 0;
  int rank_lower = 0;
  int rank_upper = 0;
};

struct FairComparison {
  std::vector<ComparedMachine> machines;  // in the order given
  // The gamma's mean, what a machine of this kind has: posterior median and limits. Not the posterior mean,
  // which is infinite for any number of machines where the prior is flat in log mean and puts no bound on the
  // coefficient of variation.
  double kind_rate = 0;
  double kind_rate_lower = 0;
  double kind_rate_upper = 0;
  double pooled_rate = 0;  // Σx/Σt: what the machines had together, led by the most exposed
};

// `machines`: counts of failures less repeats, exposures above 0 in one unit. Absent, "too few to say", with
// fewer than 2 machines or no failure among them. With n machines the draws cost n·log n each and all else n.
// Errors: InvalidArgument outside these ranges; those of GammaPoissonLikelihood::Make and
// IntegrateGammaPoisson.
absl::StatusOr<std::optional<FairComparison>> CompareMachines(std::span<const ExposedCount> machines,
                                                              const ComparisonOptions& options = {});

inline constexpr double kFalseShareMax = 0.1;
inline constexpr double kProbabilityToStay = 0.5;

struct WorseList {
  std::vector<std::size_t> listed;  // indices, by falling probability; ties by index
  std::vector<std::size_t> entered;  // of listed: not in the previous list
  std::vector<std::size_t> left;  // in the previous list, not in this
  // Mean of 1 − P over the list: the share of it that is expected to be no worse; 0 where it is empty.
  double expected_false_share = 0;
};

// The machines worse than their kind. The most probable enter while the mean of 1 − P over those that would
// enter on this week's evidence is at most `false_share_max` (Müller, P. et al. (2004), Optimal sample size
// for multiple testing, JASA 99:990–1001); one that was listed before stays until P < kProbabilityToStay, so
// that the list does not flicker: to be made weekly. Kept machines may lift expected_false_share above the
// maximum, to at most 1 − kProbabilityToStay. `probability_worse` within 0 … 1; `listed_before`: as long, or
// empty for none; 0 <= `false_share_max` < 1. Errors: InvalidArgument.
absl::StatusOr<WorseList> ListWorse(std::span<const double> probability_worse,
                                    const std::vector<bool>& listed_before = {},
                                    double false_share_max = kFalseShareMax);

}  // namespace bayward
