#include "server/timeline/required_time.h"

#include <algorithm>
#include <cstddef>
#include <utility>
#include <vector>

namespace bayward {
namespace {

enum class Edge { kOpens, kCloses };

absl::Time InZone(const absl::TimeZone& zone, absl::CivilSecond civil, Edge edge) {
  const absl::TimeZone::TimeInfo info = zone.At(civil);
  if (info.kind == absl::TimeZone::TimeInfo::SKIPPED) return info.trans;
  return edge == Edge::kOpens ? info.pre : info.post;
}

// The zone row of a date; a calendar without any is in UTC.
std::size_t ZoneOf(const Calendar& calendar, absl::CivilDay day) {
  std::size_t row = 0;
  while (row + 1 < calendar.zones.size() && calendar.zones[row + 1].valid_from <= day) ++row;
  return row;
}

absl::TimeZone ZoneAt(const Calendar& calendar, std::size_t row) {
  return row < calendar.zones.size() ? calendar.zones[row].zone : absl::UTCTimeZone();
}

absl::Time Resolve(const Calendar& calendar, absl::CivilSecond civil, Edge edge) {
  const std::size_t row = ZoneOf(calendar, absl::CivilDay(civil));
  const absl::Time at = InZone(ZoneAt(calendar, row), civil, edge);
  if (row + 1 >= calendar.zones.size()) return at;
  return std::min(at, StartOfDay(calendar, calendar.zones[row + 1].valid_from));
}

const std::vector<DayHours>* HoursOf(const Calendar& calendar, absl::CivilDay day) {
  const auto row = std::find_if(calendar.hours.begin(), calendar.hours.end(), [&](const WeekHours& hours) {
    return hours.valid_from <= day && day < hours.valid_to;
  });
  if (row == calendar.hours.end()) return nullptr;
  const bool holiday = std::binary_search(calendar.holidays.begin(), calendar.holidays.end(), day);
  const auto kind =
      holiday ? static_cast<std::size_t>(DayKind::kHoliday) : static_cast<std::size_t>(absl::GetWeekday(day));
  return &row->days[kind];
}

// From the first to the last instant at which the machine is in service.
Interval ServiceLife(const Calendar& calendar) {
  Interval life{absl::InfinitePast(), absl::InfiniteFuture()};
  if (calendar.in_service_from != absl::CivilDay::min()) {
    life.start = StartOfDay(calendar, calendar.in_service_from);
  }
  if (calendar.retired_at != absl::CivilDay::max()) life.end = StartOfDay(calendar, calendar.retired_at);
  return life;
}

// A bound for windows without one.
Interval Ever() {
  return {absl::UnixEpoch(), absl::FromCivil(absl::CivilDay(2200, 1, 1), absl::UTCTimeZone())};
}

IntervalSet OpeningHours(const Calendar& calendar, const Interval& asked) {
  const Interval window = Intersect(Intersect(asked, Ever()), ServiceLife(calendar));
  if (window.empty()) return {};
  // Hours that pass midnight begin up to two days before the window; a zone change moves a date by one at
  // most.
  const absl::CivilDay first = DayAt(calendar, window.start) - 3;
  const absl::CivilDay last = DayAt(calendar, window.end) + 2;
  std::vector<Interval> open;
  for (absl::CivilDay day = first; day <= last; ++day) {
    const std::vector<DayHours>* hours = HoursOf(calendar, day);
    if (hours == nullptr) continue;
    const absl::CivilMinute midnight(day);
    for (const DayHours& of_day : *hours) {
      open.push_back({OpensAt(calendar, absl::CivilSecond(midnight + of_day.open_minute)),
                      ClosesAt(calendar, absl::CivilSecond(midnight + of_day.close_minute))});
    }
  }
  return IntervalSet(std::move(open)).Intersect(window);
}

IntervalSet AgreedClosures(const Calendar& calendar) {
  std::vector<Interval> agreed;
  for (const Closure& closure : calendar.closures) {
    const absl::Time from = OpensAt(calendar, closure.from);
    if (closure.recorded_at > from && !closure.approved) continue;
    const bool open_ended = closure.to == absl::CivilSecond::max();
    agreed.push_back({from, open_ended ? absl::InfiniteFuture() : ClosesAt(calendar, closure.to)});
  }
  return IntervalSet(std::move(agreed));
}

}  // namespace

IntervalSet RequiredTime(const Calendar& calendar, const Interval& window) {
  return OpeningHours(calendar, window).Minus(AgreedClosures(calendar));
}

IntervalSet ExcludedTime(const Calendar& calendar, const Interval& window) {
  return OpeningHours(calendar, window).Intersect(AgreedClosures(calendar));
}

absl::Time StartOfDay(const Calendar& calendar, absl::CivilDay day) {
  return InZone(ZoneAt(calendar, ZoneOf(calendar, day)), absl::CivilSecond(day), Edge::kOpens);
}

absl::Time OpensAt(const Calendar& calendar, absl::CivilSecond civil) {
  return Resolve(calendar, civil, Edge::kOpens);
}

absl::Time ClosesAt(const Calendar& calendar, absl::CivilSecond civil) {
  return Resolve(calendar, civil, Edge::kCloses);
}

absl::CivilDay DayAt(const Calendar& calendar, absl::Time at) {
  std::size_t row = 0;
  while (row + 1 < calendar.zones.size() && StartOfDay(calendar, calendar.zones[row + 1].valid_from) <= at)
    ++row;
  return absl::ToCivilDay(at, ZoneAt(calendar, row));
}

}  // namespace bayward
