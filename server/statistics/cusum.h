// Cumulative-sum and exponentially weighted charts of standardized scores, how long they run until they
// signal, and the limit that gives a wanted run length. Pure: any thread may compute; a chart is a plain
// value, one thread at a time.
#pragma once

#include <cstdint>
#include <limits>

#include "absl/status/statusor.h"

namespace bayward {

// On which side of the target a chart signals. kUpper: only above it.
enum class ChartSides : std::uint8_t { kUpper, kBoth };

// Beyond this many scores a run length is not told apart from never.
inline constexpr double kRunLengthMax = 1e9;

// Average run lengths: expected number of scores up to and with the first signal, of a chart that begins at 0
// and gets independent normal scores of mean `shift` and standard deviation 1. The integral equation of the
// run length (Page, Biometrika 41, 1954; for the weighted chart Crowder, Technometrics 29, 1987) by 100-node
// Gauss–Legendre quadrature; both sides of a cumulative sum by 1/L = 1/L⁺ + 1/L⁻ (Van Dobben de Bruyn,
// Cumulative Sum Tests, 1968). Relative error below 1e-6 up to a run length of 1e6. Errors: InvalidArgument
// outside the ranges, or where the run length is beyond kRunLengthMax.

// C = max(0, C + score − reference), signal above `limit`. `reference` (k) in [0, 5], `limit` (h) in [1e-6,
// 60], `shift` in [−10, 10], all in standard deviations.
absl::StatusOr<double> CusumRunLength(double reference, double limit, double shift, ChartSides sides);

// Z = (1 − weight)·Z + weight·score, signal outside ±`limit` standard deviations √(weight/(2 − weight)) that
// Z has in the long run; with kUpper, Z is held at or above 0. `weight` (λ) in [0.01, 1], `limit` (L) in
// [1e-6, 10], `shift` in [−10, 10].
absl::StatusOr<double> EwmaRunLength(double weight, double limit, double shift, ChartSides sides);

// The limit at which the run length without a shift is `run_length`, to 1e-9 relative; arguments as above,
// run_length in (1, kRunLengthMax]. Errors: InvalidArgument also where no limit in range gives it.
absl::StatusOr<double> CusumLimitFor(double reference, double run_length, ChartSides sides);
absl::StatusOr<double> EwmaLimitFor(double weight, double run_length, ChartSides sides);

// A cumulative-sum chart with both sums; who watches one side ignores the other.
class CusumChart {
 public:
  // `reference` >= 0 and `limit` > 0, finite, in standard deviations. Sums stop at `ceiling` >= limit, so
  // that a chart forgets a long signal in bounded time. Errors: InvalidArgument.
  static absl::StatusOr<CusumChart> Create(double reference, double limit,
                                           double ceiling = std::numeric_limits<double>::infinity());

  // One side: its sum, and how many scores ago it last was 0 (0: it is).
  struct Side {
    double sum = 0;
    std::int64_t run = 0;
  };

  // A score that is not a number is left out.
  void Add(double score);
  void Reset();

  const Side& upper() const { return upper_; }  // C⁺ = max(0, C⁺ + score − reference)
  const Side& lower() const { return lower_; }  // C⁻ = max(0, C⁻ − score − reference)
  bool signals_above() const { return upper_.sum > limit_; }
  bool signals_below() const { return lower_.sum > limit_; }
  double limit() const { return limit_; }

 private:
  CusumChart(double reference, double limit, double ceiling)
      : reference_(reference), limit_(limit), ceiling_(ceiling) {}
  void AddTo(Side& side, double score) const;

  double reference_;
  double limit_;
  double ceiling_;
  Side upper_;
  Side lower_;
};

// An exponentially weighted moving average with the constant limits of EwmaRunLength, both sides.
class EwmaChart {
 public:
  // `weight` in (0, 1], `limit` > 0, finite. Errors: InvalidArgument.
  static absl::StatusOr<EwmaChart> Create(double weight, double limit);

  // A score that is not a number is left out.
  void Add(double score);

  double value() const { return value_; }
  double bound() const { return bound_; }  // limit·√(weight/(2 − weight))
  bool signals_above() const { return value_ > bound_; }
  bool signals_below() const { return value_ < -bound_; }

 private:
  EwmaChart(double weight, double bound) : weight_(weight), bound_(bound) {}

  double weight_;
  double bound_;
  double value_ = 0;
};

}  // namespace bayward
