// The power-law process (Crow-AMSAA, Weibull process): events at intensity λβt^(β−1) of the exposure t since
// commissioning or overhaul, fitted to exact times or to counts. Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/trend_tests.h"

namespace bayward {

// Exposure (wash starts or up hours) is counted from commissioning or overhaul. Without such a date no power
// law is to be fitted: counted from the beginning of a window, wear with β = 2 looks like β = 1.07. Use
// FitLogLinearTrend there.
struct PowerLawFit {
  int events = 0;
  double start = 0;        // s, where observation began
  double end = 0;          // T
  double shape = 1;        // β: below 1 events come ever more slowly, above 1 ever faster
  double scale = 0;        // λ, expected events up to exposure 1; 0 where below a double's range
  double shape_lower = 0;  // two-sided limits of β at the confidence asked for
  double shape_upper = 0;
  std::optional<double>
      shape_unbiased;         // absent with left truncation, or where no event is left to correct with
  double log_likelihood = 0;  // Σ ln(λβt^(β−1)) − λ(T^β − s^β)
};

// Maximizes Σ ln(λβt^(β−1)) − λ(T^β − s^β) over the events t of (start, history.end], whose times and `start`
// >= 0 are exposures from commissioning; 0 < `confidence` < 1.
// start = 0: β = n/Σln(T/t), λ = n/T^β; unbiased (n−1)/n·β, or (n−2)/n·β where a failure ended the
// observation; limits β·χ²(α/2; 2n)/2n and β·χ²(1−α/2; 2n)/2n, or 2(n−1) degrees of freedom (divided by 2n
// still) where a failure ended it. start > 0: β solves 1/β − L/(e^(βL) − 1) = mean ln(T/t), L = ln(T/s); λ =
// n/(T^β − s^β); limits by the likelihood ratio, a lower one of 0 where the likelihood does not exclude it.
// Errors: InvalidArgument by CheckEvents, outside these ranges, for fewer than 2 events, for events all at
// the end, and, with start > 0, for events so crowded at the start that no β > 0 has a greatest likelihood.
// Source: MIL-HDBK-189 (1981), Appendix C; Crow, AMSAA Technical Report 138 (1974); the truncated likelihood
// is that of any Poisson process seen from s to T.
absl::StatusOr<PowerLawFit> FitPowerLaw(const EventHistory& history, double start, double confidence);

// λβt^(β−1), events per unit of exposure at exposure `at` > 0; its reciprocal, the instantaneous mean
// exposure between events; and at/(λ·at^β), the cumulative one.
double PowerLawIntensity(const PowerLawFit& fit, double at);
double InstantaneousMtbf(const PowerLawFit& fit, double at);
double CumulativeMtbf(const PowerLawFit& fit, double at);

// λ(to^β − from^β), events expected from exposure `from` >= 0 to `to` >= from.
double ExpectedEvents(const PowerLawFit& fit, double from, double to);

struct MtbfLimits {
  double point = 0;
  double lower = 0;
  std::optional<double> upper;  // absent with one event
};

// Crow's exact two-sided limits of the instantaneous mean exposure between events at T, for data that began
// at 0 and that a time ended: the point times 4n²/z², with S_n(z) = α/2 for the lower and 1 − S_(n−1)(z) =
// α/2 for the upper limit, where S_k(z) = Σ_(j=1..k) (z/2)^(2j−1)/((j−1)! j!) / I1(z). 0 < confidence < 1.
// Errors: InvalidArgument outside these ranges and for a fit with start > 0. Source: Crow, Technometrics 24
// (1982), 67-72. (Data ended by a failure have other factors, not here.)
absl::StatusOr<MtbfLimits> CrowMtbfLimits(const PowerLawFit& fit, double confidence);

// S_k(z) as above, 0 <= k, z > 0.
double CrowTail(int k, double z);

struct CramerVonMises {
  double statistic = 0;    // C² = 1/(12M) + Σ[(t/T)^β̄ − (2i−1)/(2M)]², with the unbiased β̄
  int events = 0;          // M: n, or n − 1 where a failure ended the observation
  double probability = 1;  // of a C² at least as large where a power law holds
};

// Whether a power law from exposure 0 holds at all: its goodness of fit, small `probability` = it does not.
// The law of C² depends on M alone; the probability is counted over `replications` >= 1 random samples drawn
// from `seed` (the same arguments give the same answer), (1 + as large)/(1 + replications). Errors:
// InvalidArgument by CheckEvents, M < 2, events at 0 or all at the end, replications. Source: MIL-HDBK-189
// (1981), Appendix C.
absl::StatusOr<CramerVonMises> PowerLawGoodnessOfFit(const EventHistory& history, int replications,
                                                     std::uint64_t seed);

struct GroupedEvents {
  double start = 0;          // exposure where the first interval begins, >= 0
  std::vector<double> ends;  // of consecutive intervals, ascending, the first > start
  std::vector<int> counts;   // of each, >= 0
};

struct GroupedPowerLawFit {
  int events = 0;
  double shape = 1;
  double scale = 0;
  double intensity_at_end = 0;         // λβT^(β−1)
  double intensity_last_interval = 0;  // the average over the last interval
  std::vector<double> expected;        // events of each interval by the fit
  double chi_squared = 0;              // Σ (count − expected)²/expected
  int degrees_of_freedom = 0;          // groups less 2; 0: too few groups to judge the fit
  std::optional<double> probability;   // of a chi-squared at least as large where a power law holds
};

// Maximizes the Poisson likelihood of the counts: β solves Σ N_i[(x_i^β ln x_i − x_(i−1)^β ln x_(i−1))/(x_i^β
// − x_(i−1)^β)] = N·(same of start and end), λ = N/(T^β − s^β). For the chi-square neighbouring intervals are
// first put together from the left until each expects at least 5 events. Errors: InvalidArgument for lists of
// different lengths, fewer than 2 intervals, ends out of order, negative counts, no events, or all events in
// the last interval or so crowded in the first that no β > 0 and finite has a greatest likelihood. Source:
// MIL-HDBK-189 (1981), Appendix C, grouped data.
absl::StatusOr<GroupedPowerLawFit> FitGroupedPowerLaw(const GroupedEvents& events);

}  // namespace bayward
