// The gamma–Poisson model of machines of one kind: each has a failure rate of its own, drawn from a gamma
// distribution, and its failures are Poisson. Pure: any thread may compute.
#pragma once

#include <functional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/dispersion.h"
#include "server/statistics/gamma_poisson_likelihood.h"

namespace bayward {

// log density, up to a constant, of the logarithm of the gamma's mean and of its coefficient of variation
// (standard deviation over mean), jointly. Must be finite, or -infinity, for every cv > 0.
using LogPrior = std::function<double(double log_mean, double cv)>;

// Flat in log mean, half-normal in cv: most kinds of machine differ among themselves by less than their mean.
inline constexpr double kHalfNormalScale = 0.7;
double FlatMeanHalfNormalCv(double log_mean, double cv);

// A gamma distribution of rates, shape α = 1/cv² and inverse scale β = α/mean (in units of exposure), with
// its share of the posterior.
struct GammaNode {
  double log_mean = 0;
  double log_mean_step = 0;  // the node stands for log means half a step to both sides
  double shape = 0;
  double inverse_scale = 0;
  double weight = 0;  // > 0; sums to 1 over the nodes
};

// The posterior of (log mean, cv) as weighted nodes, by the trapezoidal rule in log mean about the
// likelihood's best and the midpoint rule in cv from 0, each with steps that follow the posterior's width; on
// smooth functions that fall off to both sides both converge faster than any power of the step. Up to 12
// machines means over the nodes are right to about 1e-5 of themselves and probabilities to 1e-4; beyond,
// where the posterior is narrower and fewer nodes are taken, to about 5e-4. The prior must be no sharper than
// the likelihood in log mean. Errors: InvalidArgument where the posterior does not fall off within cv < 40 or
// within 4000 steps of log mean.
absl::StatusOr<std::vector<GammaNode>> IntegrateGammaPoisson(const GammaPoissonLikelihood& likelihood,
                                                             const LogPrior& prior);

// The same where the coefficient of variation is known: 0 < `cv` < 40; the prior is taken at it. Errors:
// InvalidArgument outside this range, and as above.
absl::StatusOr<std::vector<GammaNode>> IntegrateGammaPoissonAtCv(const GammaPoissonLikelihood& likelihood,
                                                                 const LogPrior& prior, double cv);

// A machine's rate given its node: gamma with shape α + x and inverse scale β + t.
double PosteriorMeanRate(std::span<const GammaNode> nodes, const ExposedCount& machine);
double PosteriorVarianceRate(std::span<const GammaNode> nodes, const ExposedCount& machine);
// P(rate <= `rate`).
double PosteriorRateCdf(std::span<const GammaNode> nodes, const ExposedCount& machine, double rate);
// The rate at which PosteriorRateCdf is `share`, 0 < share < 1, to about 1e-3 of itself; less exact, as
// `share` is, only far below the mean.
double PosteriorRateQuantile(std::span<const GammaNode> nodes, const ExposedCount& machine, double share);
// P(rate > `factor` · the gamma's mean).
double ProbabilityAboveMean(std::span<const GammaNode> nodes, const ExposedCount& machine, double factor);
// The value that the gamma's mean is below with probability `share`, 0 < share < 1; to about 1 % of itself in
// the tails.
double PosteriorMeanQuantile(std::span<const GammaNode> nodes, double share);

}  // namespace bayward
