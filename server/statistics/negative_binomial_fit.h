// The gamma–Poisson model fitted by marginal likelihood, and the counts it predicts. The fit takes the kind
// as known, so its intervals are too narrow with few machines: it serves as a check of the integrated
// comparison and to predict. Pure: any thread may compute.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/dispersion.h"

namespace bayward {

struct NegativeBinomialFit {
  double mean_rate = 0;  // μ, of the gamma, failures per unit of exposure
  double cv = 0;  // the gamma's coefficient of variation; 0: the machines do not differ beyond chance
  std::optional<double> shape = std::nullopt;  // α = 1/cv²; absent (infinite) where cv = 0
  double log_likelihood = 0;  // constants included
};

// The maximum of Π NB(x_i; mean μ·t_i, shape α) over μ and α: what glm.nb of R's MASS finds with offset log t
// (Venables & Ripley, Modern Applied Statistics with S, 2002, 7.4). Counts 0 … 20,000, exposures above 0,
// at least one failure. Errors: InvalidArgument outside these ranges.
absl::StatusOr<NegativeBinomialFit> FitNegativeBinomial(std::span<const ExposedCount> machines);

// A gamma distribution of a rate; both above 0, finite.
struct GammaRate {
  double shape = 0;
  double inverse_scale = 0;  // in units of exposure
};

// P(N = 0), … P(N = count_max) of the failures in `exposure` >= 0, finite, with a rate from `rate`: negative
// binomial with size = shape and success probability β/(β + exposure). What is missing to 1 is P(N >
// count_max). 0 <= `count_max` <= 1,000,000. Errors: InvalidArgument outside these ranges.
absl::StatusOr<std::vector<double>> PredictCounts(const GammaRate& rate, double exposure, int count_max);

// The same of a machine of the fitted kind, given what it has shown (a new machine: count 0, exposure 0):
// from gamma (α + x, β + t), or Poisson with μ·exposure where cv = 0.
absl::StatusOr<std::vector<double>> PredictCounts(const NegativeBinomialFit& fit, const ExposedCount& shown,
                                                  double exposure, int count_max);

}  // namespace bayward
