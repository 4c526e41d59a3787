#include "server/figures/civil_hours.h"

#include <algorithm>
#include <cstddef>

#include "server/timeline/required_time.h"

namespace bayward {
namespace {

constexpr absl::CivilDay kMonday(1970, 1, 5);
constexpr int kDayHours = 24;

int CellOf(const Calendar& calendar, const absl::CivilHour& hour) {
  const absl::CivilDay day(hour);
  if (std::binary_search(calendar.holidays.begin(), calendar.holidays.end(), day)) return kWeekCells + hour.hour();
  return static_cast<int>(absl::GetWeekday(day)) * kDayHours + hour.hour();
}

absl::Time NextChange(const absl::TimeZone& zone, absl::Time after) {
  absl::TimeZone::CivilTransition change;
  if (!zone.NextTransition(after, &change)) return absl::InfiniteFuture();
  return zone.At(change.to).trans;
}

void AddHours(const Calendar& calendar, const absl::TimeZone& zone, const Interval& stretch,
              std::vector<CivilHour>& hours) {
  absl::Time change = absl::InfinitePast();
  for (absl::Time at = stretch.start; at < stretch.end;) {
    if (change <= at) change = NextChange(zone, at);
    const absl::TimeZone::CivilInfo civil = zone.At(at);
    const absl::CivilHour hour(civil.cs);
    const absl::Duration into = absl::Seconds(civil.cs - absl::CivilSecond(hour)) + civil.subsecond;
    const absl::Time next = std::min({at + absl::Hours(1) - into, change, stretch.end});
    hours.push_back({{at, next}, DayNumber(absl::CivilDay(hour)), CellOf(calendar, hour)});
    at = next;
  }
}

}  // namespace

int DayNumber(absl::CivilDay day) { return static_cast<int>(day - kMonday); }
absl::CivilDay DayOfNumber(int number) { return kMonday + number; }

std::vector<CivilHour> CivilHours(const Calendar& calendar, const Interval& window) {
  std::vector<CivilHour> hours;
  if (calendar.zones.empty()) AddHours(calendar, absl::UTCTimeZone(), window, hours);
  for (std::size_t row = 0; row < calendar.zones.size(); ++row) {
    Interval stretch{absl::InfinitePast(), absl::InfiniteFuture()};
    if (row > 0) stretch.start = StartOfDay(calendar, calendar.zones[row].valid_from);
    if (row + 1 < calendar.zones.size()) stretch.end = StartOfDay(calendar, calendar.zones[row + 1].valid_from);
    AddHours(calendar, calendar.zones[row].zone, Intersect(window, stretch), hours);
  }
  return hours;
}

std::vector<ExposedHour> ExposedHours(const std::vector<CivilHour>& hours, std::size_t machine,
                                      const IntervalSet& when) {
  std::vector<ExposedHour> exposed;
  auto hour = hours.begin();
  for (const Interval& stretch : when.intervals()) {
    hour = std::lower_bound(hour, hours.end(), stretch.start,
                            [](const CivilHour& h, absl::Time t) { return h.interval.end <= t; });
    for (auto part = hour; part != hours.end() && part->interval.start < stretch.end; ++part) {
      const double length = absl::ToDoubleHours(Intersect(part->interval, stretch).length());
      exposed.push_back({.machine = machine, .day = part->day, .cell = part->cell, .hours = length});
    }
  }
  return exposed;
}

}  // namespace bayward
