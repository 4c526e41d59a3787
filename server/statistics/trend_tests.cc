#include "server/statistics/trend_tests.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <utility>

#include "absl/strings/str_cat.h"
#include "boost/math/distributions/chi_squared.hpp"
#include "boost/math/distributions/normal.hpp"
#include "boost/math/distributions/students_t.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using Normal = boost::math::normal_distribution<double, Quiet>;
using ChiSquared = boost::math::chi_squared_distribution<double, Quiet>;
using StudentsT = boost::math::students_t_distribution<double, Quiet>;

constexpr int kExactEventsMax = 12;

absl::Status CheckEventsAtLeast(const EventHistory& history, std::size_t by_time, std::size_t by_failure) {
  if (absl::Status checked = CheckEvents(history); !checked.ok()) return checked;
  const bool failed = history.ended_by == Termination::kFailure;
  const std::size_t events_min = failed ? by_failure : by_time;
  if (history.at.size() >= events_min) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("expected at least ", events_min, " events",
                                                 failed ? ", the last of which ended the observation" : "",
                                                 ", found ", history.at.size()));
}

// The events that carry information: where the last one set the end, those before it.
std::size_t Informative(const EventHistory& history) {
  return history.at.size() - (history.ended_by == Termination::kFailure ? 1 : 0);
}

double LaplaceZ(const EventHistory& history) {
  const std::size_t n = Informative(history);
  // In units of the observation, so that neither very long nor very short exposures lose digits.
  double sum = 0;
  for (std::size_t i = 0; i < n; ++i) sum += history.at[i] / history.end - 0.5;
  return sum / std::sqrt(static_cast<double>(n) / 12);
}

// ways[r] / n!: the chance that n intervals in random order have r pairs of which the later is longer. Of the
// k-th interval 0 to k − 1 earlier ones are shorter, each number as likely, whatever the order of those
// before.
std::vector<double> ReverseArrangementLaw(std::size_t n) {
  std::vector<double> law = {1};
  for (std::size_t k = 2; k <= n; ++k) {
    std::vector<double> next(law.size() + k - 1, 0.0);
    for (std::size_t r = 0; r < law.size(); ++r) {
      for (std::size_t more = 0; more < k; ++more) next[r + more] += law[r] / static_cast<double>(k);
    }
    law = std::move(next);
  }
  return law;
}

}  // namespace

absl::Status CheckEvents(const EventHistory& history) {
  if (!(history.end > 0 && std::isfinite(history.end))) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an end of observation above 0, found ", history.end));
  }
  double before = 0;
  for (const double at : history.at) {
    if (!(at >= before && at <= history.end)) {
      return absl::InvalidArgumentError(absl::StrCat("expected events in ascending order between 0 and ",
                                                     history.end, ", found ", at, " after ", before));
    }
    before = at;
  }
  if (history.ended_by == Termination::kFailure && (history.at.empty() || before < history.end)) {
    return absl::InvalidArgumentError(absl::StrCat("expected an event at the end of observation ",
                                                   history.end,
                                                   ", as a failure ended it; the last one is at ", before));
  }
  return absl::OkStatus();
}

std::vector<double> Intervals(const std::vector<double>& at) {
  std::vector<double> intervals(at.size());
  std::adjacent_difference(at.begin(), at.end(), intervals.begin());
  return intervals;
}

bool IntervalsAreSorted(const std::vector<double>& at) {
  if (at.size() < 7) return false;
  const std::vector<double> intervals = Intervals(at);
  return std::is_sorted(intervals.begin(), intervals.end()) ||
         std::is_sorted(intervals.rbegin(), intervals.rend());
}

absl::StatusOr<TrendTest> LaplaceTest(const EventHistory& history) {
  if (absl::Status checked = CheckEventsAtLeast(history, 1, 2); !checked.ok()) return checked;
  TrendTest test;
  test.events = static_cast<int>(Informative(history));
  test.statistic = LaplaceZ(history);
  test.z = test.statistic;
  test.p_improving = boost::math::cdf(Normal(), test.statistic);
  test.p_worsening = boost::math::cdf(boost::math::complement(Normal(), test.statistic));
  return test;
}

absl::StatusOr<TrendTest> MilitaryHandbookTest(const EventHistory& history) {
  if (absl::Status checked = CheckEventsAtLeast(history, 1, 2); !checked.ok()) return checked;
  if (history.at.front() <= 0) {
    return absl::InvalidArgumentError(
        "expected every event after 0, found one at 0: the Military Handbook test takes its logarithm");
  }
  TrendTest test;
  test.events = static_cast<int>(Informative(history));
  for (int i = 0; i < test.events; ++i) {
    test.statistic += 2 * std::log(history.end / history.at[static_cast<std::size_t>(i)]);
  }
  test.degrees_of_freedom = 2 * test.events;
  test.exact = true;
  const ChiSquared law(test.degrees_of_freedom);
  test.p_improving = boost::math::cdf(boost::math::complement(law, test.statistic));
  test.p_worsening = boost::math::cdf(law, test.statistic);
  return test;
}

absl::StatusOr<TrendTest> ReverseArrangementTest(const EventHistory& history) {
  if (absl::Status checked = CheckEventsAtLeast(history, 2, 2); !checked.ok()) return checked;
  const std::vector<double> intervals = Intervals(history.at);
  std::size_t longer = 0;
  std::size_t shorter = 0;
  for (std::size_t k = 1; k < intervals.size(); ++k) {
    for (std::size_t j = 0; j < k; ++j) {
      if (intervals[k] > intervals[j]) ++longer;
      if (intervals[k] < intervals[j]) ++shorter;
    }
  }
  const double n = static_cast<double>(intervals.size());
  const double mean = n * (n - 1) / 4;
  const double sd = std::sqrt((2 * n + 5) * (n - 1) * n / 72);
  TrendTest test;
  test.events = static_cast<int>(intervals.size());
  test.statistic = static_cast<double>(longer);
  test.z = (test.statistic - mean + 0.5) / sd;
  test.exact = test.events <= kExactEventsMax;
  if (test.exact) {
    const std::vector<double> law = ReverseArrangementLaw(intervals.size());
    const auto at_least = [&law](std::size_t count) {
      return std::accumulate(law.begin() + static_cast<std::ptrdiff_t>(count), law.end(), 0.0);
    };
    test.p_improving = std::min(at_least(longer), 1.0);
    test.p_worsening = std::min(at_least(shorter), 1.0);  // the law is symmetric
  } else {
    const auto at_least = [mean, sd](std::size_t count) {
      return boost::math::cdf(
          boost::math::complement(Normal(), (static_cast<double>(count) - mean - 0.5) / sd));
    };
    test.p_improving = at_least(longer);
    test.p_worsening = at_least(shorter);
  }
  return test;
}

absl::StatusOr<TrendTest> LewisRobinsonTest(const EventHistory& history) {
  if (absl::Status checked = CheckEventsAtLeast(history, 3, 3); !checked.ok()) return checked;
  const std::vector<double> intervals = Intervals(history.at);
  const double n = static_cast<double>(intervals.size());
  const double mean = history.at.back() / n;
  double squares = 0;
  for (const double interval : intervals) squares += (interval - mean) * (interval - mean);
  const double variation = std::sqrt(squares / (n - 1)) / mean;
  if (!(variation > 1e-12)) {  // also where all events are at 0 and the mean is none
    return absl::InvalidArgumentError(
        "expected intervals of different lengths, found all equal: the Lewis-Robinson statistic divides by "
        "their variation");
  }
  TrendTest test;
  test.events = static_cast<int>(Informative(history));
  test.statistic = LaplaceZ(history) / variation;
  test.z = test.statistic;
  test.degrees_of_freedom = static_cast<int>(intervals.size()) - 1;
  const StudentsT law(test.degrees_of_freedom);
  test.p_improving = boost::math::cdf(law, test.statistic);
  test.p_worsening = boost::math::cdf(boost::math::complement(law, test.statistic));
  return test;
}

}  // namespace bayward
