// The law on (0, 1) with density proportional to e^(θu): where one machine's events fall in a window, scaled
// to (0, 1), when its rate changes exponentially (Cox-Lewis), or in the logarithm of exposure when it follows
// a power law with left truncation. Pure: any thread may compute.
#pragma once

namespace bayward {

// ln of the normalizing integral, K(θ) = ln((e^θ − 1)/θ), 0 at θ = 0. Any finite θ.
double TiltLogNormalizer(double tilt);

// The mean, K'(θ) = 1/(1 − e^(−θ)) − 1/θ, from 0 to 1, 1/2 at θ = 0; and the variance, K''(θ) = 1/θ² − 1/(4
// sinh²(θ/2)).
double TiltMean(double tilt);
double TiltVariance(double tilt);

// The θ whose mean is `mean`, 0 < mean < 1: the maximum-likelihood estimate from a sample with that mean.
double SolveTilt(double mean);

struct TiltLimits {
  double lower = 0;
  double upper = 0;
};

// The likelihood-ratio limits of θ from `events` >= 1 positions with average `mean`, 0 < mean < 1: the two θ
// at which 2·events·[(θ̂ − θ)·mean − K(θ̂) + K(θ)] reaches the chi-square quantile with 1 degree of freedom
// at 0 < `confidence` < 1.
TiltLimits LikelihoodTiltLimits(int events, double mean, double confidence);

// Twice the log-likelihood ratio of θ̂ = SolveTilt(mean) against `tilt`.
double TiltDeviance(int events, double mean, double tilt);

}  // namespace bayward
