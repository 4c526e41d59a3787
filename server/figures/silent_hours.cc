#include "server/figures/silent_hours.h"

#include <algorithm>
#include <tuple>

#include "server/figures/present_condition.h"

namespace bayward {

bool UpAtEnd(const MachineWatch& watch, absl::Time now) {
  if (watch.up.empty()) return false;
  const absl::Time until = watch.up.intervals().back().end;
  if (until >= now) return true;
  return now - until <= kSeenLateMax && watch.not_ready.contains(until) && !watch.stopped.contains(until);
}

absl::Time LastSoldStart(const MachineWatch& watch) {
  return watch.starts.empty() ? absl::InfinitePast() : watch.starts.back();
}

std::vector<SilentHour> SilentHoursOf(const MachineWatch& watch, const std::vector<CivilHour>& hours,
                                      const DayFactors& factors) {
  const IntervalSet silent = watch.up.Intersect(Interval{LastSoldStart(watch), absl::InfiniteFuture()});
  std::vector<SilentHour> out;
  for (const ExposedHour& hour : ExposedHours(hours, 0, silent)) {
    const auto factor = factors.find(hour.day);
    out.push_back({.cell = hour.cell,
                   .hours = std::min(1.0, hour.hours),  // rounding
                   .day_factor = factor == factors.end() ? 1 : factor->second});
  }
  return out;
}

std::vector<DemandHour> RowsUntilLastSold(std::span<const DemandHour> rows, const MachineWatch& watch,
                                          const std::vector<CivilHour>& hours) {
  constexpr int kDayHours = 24;
  const absl::Time last = LastSoldStart(watch);
  const auto hour = std::lower_bound(hours.begin(), hours.end(), last,
                                     [](const CivilHour& h, absl::Time t) { return h.interval.end <= t; });
  std::vector<DemandHour> taught;
  if (watch.starts.empty() || hour == hours.end()) return taught;
  for (const DemandHour& row : rows) {
    const bool later = std::tuple(row.day, row.cell % kDayHours) > std::tuple(hour->day, hour->cell % kDayHours);
    if (!later) taught.push_back(row);
  }
  return taught;
}

double UpHoursPerWeek(const MachineWatch& watch, const Interval& window) {
  const IntervalSet up = watch.up.Intersect(window);
  if (up.empty()) return 0;
  constexpr double kWeekHours = 168;
  const double weeks = absl::ToDoubleHours(window.end - up.intervals().front().start) / kWeekHours;
  return absl::ToDoubleHours(up.length()) / std::max(1.0, weeks);
}

}  // namespace bayward
