// The marginal likelihood of the gamma–Poisson model: what counts of failures say of the mean and the spread
// of the rates of a kind of machine. Pure: any thread may compute.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/dispersion.h"

namespace bayward {

// The marginal likelihood of counts x_i over exposures t_i: negative binomial, with mean μ·t_i and variance
// μ·t_i + (cv·μ·t_i)². cv = 0 is the Poisson model of one rate. Immutable once made.
class GammaPoissonLikelihood {
 public:
  // Errors: InvalidArgument where a count is not within 0 … 20,000, an exposure is not above 0 and finite,
  // or all counts are 0 (then nothing keeps the mean from 0).
  static absl::StatusOr<GammaPoissonLikelihood> Make(std::span<const ExposedCount> machines);

  // log Π P(x_i | mean, cv), cv >= 0, constants included.
  double Log(double log_mean, double cv) const;
  // The log mean where Log is greatest at this cv (one maximum: Log is concave in log mean). `digits`: binary
  // digits of it that are wanted.
  double BestLogMean(double cv, int digits) const;
  // −∂²Log/∂(log mean)².
  double Curvature(double log_mean, double cv) const;
  std::size_t machines() const { return machines_.size(); }
  int count_max() const { return static_cast<int>(with_more_than_.size()); }

 private:
  struct Term {
    double count = 0;
    double exposure = 0;
  };
  std::vector<Term> machines_;
  std::vector<std::int64_t> with_more_than_;  // [k]: machines with more than k failures
  double count_ = 0;  // Σx
  double constant_ = 0;  // Σ x·log t − log x!
  double rate_max_ = 0;  // greatest x/t
};

}  // namespace bayward
