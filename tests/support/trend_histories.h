// Event histories that tests of trends share, and what came of a result. One thread.
#pragma once

#include <cmath>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"
#include "gtest/gtest.h"
#include "server/statistics/trend_tests.h"

namespace bayward {

template <typename T>
T Value(const absl::StatusOr<T>& result) {
  EXPECT_TRUE(result.ok()) << result.status();
  return result.value_or(T());
}
template <typename T>
absl::StatusCode Code(const absl::StatusOr<T>& result) {
  return result.status().code();
}

inline EventHistory EndedByTime(std::vector<double> at, double end) {
  return {.at = std::move(at), .end = end, .ended_by = Termination::kTime};
}
inline EventHistory EndedByFailure(std::vector<double> at, double end) {
  return {.at = std::move(at), .end = end, .ended_by = Termination::kFailure};
}

// Ever faster: 20 events, as a power law with shape 1/0.3 spaces them over 100.
inline EventHistory Worsening() {
  EventHistory history = EndedByTime({}, 100);
  for (int k = 1; k <= 20; ++k) history.at.push_back(100 * std::pow((k - 0.5) / 20, 0.3));
  return history;
}
inline EventHistory Reversed(const EventHistory& history) {
  EventHistory reversed = EndedByTime({}, history.end);
  for (auto at = history.at.rbegin(); at != history.at.rend(); ++at) reversed.at.push_back(history.end - *at);
  return reversed;
}

}  // namespace bayward
