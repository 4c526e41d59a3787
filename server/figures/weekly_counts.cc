#include "server/figures/weekly_counts.h"

#include <algorithm>

namespace bayward {

void WeeklyCounts::Add(absl::CivilDay monday, const TimeAccount& machine) {
  ExposedCount& week = weeks_[monday];
  week.count += machine.failures;
  week.exposure += absl::ToDoubleHours(machine.observed_up());
}

std::vector<ExposedCount> WeeklyCounts::InOrder() const {
  std::vector<ExposedCount> weeks;
  for (const auto& [monday, week] : weeks_) weeks.push_back(week);
  return weeks;
}

bool WeeklyCounts::has_exposure() const {
  return std::any_of(weeks_.begin(), weeks_.end(), [](const auto& week) { return week.second.exposure > 0; });
}

}  // namespace bayward
