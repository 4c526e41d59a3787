// The Cox-Lewis process: events at intensity exp(a + bt) of exposure t counted from the beginning of a
// window, for machines whose exposure since commissioning is not known. Pure: any thread may compute.
#pragma once

#include "absl/status/statusor.h"
#include "server/statistics/trend_tests.h"

namespace bayward {

struct LogLinearTrendFit {
  int events = 0;
  double end = 0;            // of the window, in exposure from its beginning
  double log_intensity = 0;  // a: ln of events per unit of exposure at the beginning
  double slope = 0;          // b, per unit of exposure: negative = improvement
  double slope_error = 0;    // standard error of b, by the observed information
  double slope_lower = 0;    // two-sided likelihood-ratio limits of b at the confidence asked for
  double slope_upper = 0;
  double window_factor = 1;  // exp(b·end): the rate at the end over the rate at the beginning
  double likelihood_ratio =
      0;  // 2·(log-likelihood at b − at 0), chi-square with 1 degree of freedom without trend
  double probability = 1;    // of a likelihood ratio at least as large without trend: two-sided
  double p_improving = 0.5;  // one-sided, by the signed root of the likelihood ratio (normal limit)
  double p_worsening = 0.5;
};

// Maximizes Σ(a + bt) − ∫ exp(a + bt) dt over the window (0, history.end], which a time ended; 0 <
// `confidence` < 1. With θ = b·end and ū the mean of t/end: 1/(1 − e^(−θ)) − 1/θ = ū; e^a = n·b/(e^θ − 1);
// error of b 1/(end·sqrt(n·(1/θ² − 1/(4 sinh²(θ/2))))).
// Errors: InvalidArgument by CheckEvents, for data ended by a failure (their last event is no free
// observation), for fewer than 2 events, and where all lie at one end of the window (no finite slope).
// Source: Cox & Lewis, The Statistical Analysis of Series of Events (1966), 3.3.
absl::StatusOr<LogLinearTrendFit> FitLogLinearTrend(const EventHistory& history, double confidence);

// exp(a + b·at), events per unit of exposure; and its integral, the events expected between two exposures.
double LogLinearIntensity(const LogLinearTrendFit& fit, double at);
double ExpectedEvents(const LogLinearTrendFit& fit, double from, double to);

}  // namespace bayward
