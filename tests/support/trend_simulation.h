// What simulations of trends share: draws, steady histories, and shares held against chance. One thread.
#pragma once

#include <algorithm>
#include <cmath>
#include <random>
#include <string>

#include "absl/status/statusor.h"
#include "gtest/gtest.h"
#include "server/statistics/trend_tests.h"

namespace bayward {

using Random = std::mt19937_64;

template <typename T>
T Value(const absl::StatusOr<T>& result) {
  EXPECT_TRUE(result.ok()) << result.status();
  return result.value_or(T());
}

inline double Uniform(Random& random) { return std::uniform_real_distribution<double>(0, 1)(random); }

inline int Poisson(Random& random, double mean) { return std::poisson_distribution<int>(mean)(random); }

inline double MonteCarloError(double share, int count) { return std::sqrt(share * (1 - share) / count); }

// Expects `count` of `of` between two shares, each widened by 4 Monte Carlo errors.
inline void ExpectShare(int count, int of, double low, double high, const std::string& what) {
  const double share = static_cast<double>(count) / of;
  EXPECT_GE(share, low - 4 * MonteCarloError(low, of)) << what;
  EXPECT_LE(share, high + 4 * MonteCarloError(high, of)) << what;
}

inline EventHistory SteadyPoisson(Random& random, double mean_events) {
  EventHistory history{.at = {}, .end = 1, .ended_by = Termination::kTime};
  for (int n = Poisson(random, mean_events); n > 0; --n) history.at.push_back(Uniform(random));
  std::sort(history.at.begin(), history.at.end());
  return history;
}

}  // namespace bayward
