#include "server/statistics/dispersion.h"

#include <cmath>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/chi_squared.hpp"
#include "server/statistics/limit_inputs.h"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using ChiSquared = boost::math::chi_squared_distribution<double, Quiet>;

// Weeks of little exposure joined to their neighbours; the total stays.
std::vector<ExposedCount> JoinShortWeeks(std::span<const ExposedCount> weeks, double exposure_min) {
  std::vector<ExposedCount> joined;
  ExposedCount open;
  for (const ExposedCount& week : weeks) {
    open.count += week.count;
    open.exposure += week.exposure;
    if (open.exposure < exposure_min) continue;
    joined.push_back(open);
    open = {};
  }
  if (!joined.empty()) {
    joined.back().count += open.count;
    joined.back().exposure += open.exposure;
  }
  return joined;
}

// What U is divided by for its limits on the scale of U/n: the chi-square limits of n/φ, times φ.
struct Divisors {
  double lower = 0;
  double upper = 0;
};

// `failures` > 0, 0 < `confidence` < 1.
Divisors LimitDivisors(int failures, double confidence, double phi, Termination ended_by) {
  const double twice_n = 2 * failures / phi;
  const double half_alpha = (1 - confidence) / 2;
  const ChiSquared for_upper(twice_n);
  const ChiSquared for_lower(ended_by == Termination::kFailure ? twice_n : twice_n + 2);
  return {.lower = boost::math::quantile(boost::math::complement(for_lower, half_alpha)) / 2 * phi,
          .upper = boost::math::quantile(for_upper, half_alpha) / 2 * phi};
}

}  // namespace

const char* DispersionWords(DispersionVerdict verdict) {
  switch (verdict) {
    case DispersionVerdict::kOneByOne:
      return "failures come one by one";
    case DispersionVerdict::kClustered:
      return "failures come in clusters: limits widened";
    case DispersionVerdict::kTooFewWeeks:
      return "too few weeks to say whether failures come in clusters: limits may be too narrow";
    case DispersionVerdict::kNoFailures:
      break;
  }
  return "no failures";
}

absl::StatusOr<Dispersion> ComputeDispersion(std::span<const ExposedCount> weeks) {
  double count = 0;
  double exposure = 0;
  int exposed_weeks = 0;
  for (const ExposedCount& week : weeks) {
    if (week.count < 0 || !(week.exposure >= 0) || !std::isfinite(week.exposure)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a count and an exposure of at least 0 in a week, found ", week.count,
                       " and ", week.exposure));
    }
    count += week.count;
    exposure += week.exposure;
    if (week.exposure > 0) ++exposed_weeks;
  }
  if (!(exposure > 0)) {
    return absl::InvalidArgumentError("expected some exposure in the weeks, found none");
  }
  const std::vector<ExposedCount> joined = JoinShortWeeks(weeks, exposure / exposed_weeks / 2);
  Dispersion dispersion;
  dispersion.weeks = static_cast<int>(joined.size());
  if (count == 0) return dispersion;
  if (dispersion.weeks < kDispersionWeeksMin) {
    dispersion.verdict = DispersionVerdict::kTooFewWeeks;
    return dispersion;
  }
  double pearson = 0;
  for (const ExposedCount& week : joined) {
    const double expected = week.exposure * (count / exposure);
    const double excess = week.count - expected;
    pearson += excess * excess / expected;
  }
  dispersion.phi = pearson / (dispersion.weeks - 1);
  dispersion.verdict =
      *dispersion.phi > kDispersionMax ? DispersionVerdict::kClustered : DispersionVerdict::kOneByOne;
  return dispersion;
}

absl::StatusOr<Mtbf> ComputeDispersedMtbf(absl::Duration up, int failures, double confidence,
                                          const Dispersion& dispersion, Termination ended_by) {
  absl::StatusOr<Mtbf> mtbf = ComputeMtbf(up, failures, confidence, ended_by);
  if (!mtbf.ok() || failures == 0 || dispersion.divisor() == 1) return mtbf;
  const Divisors divisors = LimitDivisors(failures, confidence, dispersion.divisor(), ended_by);
  const double up_s = absl::ToDoubleSeconds(up);
  mtbf->lower = absl::Seconds(up_s / divisors.lower);
  mtbf->upper = absl::Seconds(up_s / divisors.upper);
  return mtbf;
}

absl::StatusOr<CyclesBetweenFailures> ComputeCyclesBetweenFailures(std::int64_t cycles, int failures,
                                                                   double confidence,
                                                                   const Dispersion& dispersion,
                                                                   Termination ended_by) {
  if (cycles <= 0) {
    return absl::InvalidArgumentError(absl::StrCat("expected at least one cycle, found ", cycles,
                                                   ": without cycles there is no mean between failures"));
  }
  if (absl::Status status = CheckLimitInputs(failures, confidence, ended_by); !status.ok()) return status;
  const double exposure = static_cast<double>(cycles);
  CyclesBetweenFailures between;
  if (failures == 0) {
    between.lower = exposure / -std::log(1 - confidence);  // one-sided, as ComputeMtbf
    return between;
  }
  const Divisors divisors = LimitDivisors(failures, confidence, dispersion.divisor(), ended_by);
  between.point = exposure / failures;
  between.lower = exposure / divisors.lower;
  between.upper = exposure / divisors.upper;
  return between;
}

}  // namespace bayward
