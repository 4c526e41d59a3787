#include "tests/property/naive_calendar.h"

#include <algorithm>
#include <cstdint>
#include <limits>

#include "absl/time/civil_time.h"

namespace bayward::naive {
namespace {

// Half civil minutes since 1970-01-01 00:00, no zone: an odd one is between two minutes and is nobody's civil
// time.
using CivilMinute = std::int64_t;
constexpr int kBefore = 2 * 1440;  // hours that begin before the grid does may reach into it
constexpr int kAfter = 120;        // a civil time may come a second time

CivilMinute ToMinute(absl::CivilSecond civil) {
  if (civil == absl::CivilSecond::max()) return std::numeric_limits<CivilMinute>::max();
  return 2 * (absl::CivilMinute(civil) - absl::CivilMinute(1970, 1, 1, 0, 0));
}

// The civil time of every minute from kBefore before the grid to kAfter after it.
std::vector<CivilMinute> CivilTimes(const Calendar& calendar, const Grid& grid) {
  std::vector<CivilMinute> civil;
  for (int tick = -kBefore; tick < grid.ticks + kAfter; ++tick) {
    const absl::Time now = grid.TimeOf(tick);
    CivilMinute holds = ToMinute(calendar.zones.front().zone.At(now).cs);
    for (std::size_t i = 1; i < calendar.zones.size(); ++i) {
      const CivilMinute here = ToMinute(calendar.zones[i].zone.At(now).cs);
      const CivilMinute split = ToMinute(absl::CivilSecond(calendar.zones[i].valid_from));
      holds = here >= split ? here : std::min(holds, split - 1);
    }
    civil.push_back(holds);
  }
  return civil;
}

// The first minute after the clock jumped over `target`.
int Transition(const std::vector<CivilMinute>& civil, CivilMinute target) {
  const auto after = std::find_if(civil.begin(), civil.end(), [target](CivilMinute c) { return c > target; });
  return static_cast<int>(after - civil.begin());
}

int First(const std::vector<CivilMinute>& civil, CivilMinute target) {
  const auto hit = std::find(civil.begin(), civil.end(), target);
  return hit != civil.end() ? static_cast<int>(hit - civil.begin()) : Transition(civil, target);
}

int Last(const std::vector<CivilMinute>& civil, CivilMinute target) {
  const auto hit = std::find(civil.rbegin(), civil.rend(), target);
  return hit != civil.rend() ? static_cast<int>(civil.rend() - hit) - 1 : Transition(civil, target);
}

std::size_t KindOf(const Calendar& calendar, absl::CivilDay day) {
  for (const absl::CivilDay& holiday : calendar.holidays) {
    if (holiday == day) return static_cast<std::size_t>(DayKind::kHoliday);
  }
  switch (absl::GetWeekday(day)) {
    case absl::Weekday::monday: return 0;
    case absl::Weekday::tuesday: return 1;
    case absl::Weekday::wednesday: return 2;
    case absl::Weekday::thursday: return 3;
    case absl::Weekday::friday: return 4;
    case absl::Weekday::saturday: return 5;
    case absl::Weekday::sunday: return 6;
  }
  return 0;
}

std::vector<bool> Hours(const Calendar& calendar, const std::vector<CivilMinute>& civil) {
  std::vector<bool> open(civil.size(), false);
  const absl::CivilDay epoch(1970, 1, 1);
  const absl::CivilDay last = epoch + civil.back() / 2880;
  for (absl::CivilDay day = epoch + civil.front() / 2880; day <= last; ++day) {
    for (const WeekHours& week : calendar.hours) {
      if (day < week.valid_from || day >= week.valid_to) continue;
      for (const DayHours& hours : week.days[KindOf(calendar, day)]) {
        const CivilMinute midnight = (day - epoch) * 2880;
        const int from = First(civil, midnight + 2 * hours.open_minute);
        const int to = Last(civil, midnight + 2 * hours.close_minute);
        for (int i = from; i < to; ++i) open[static_cast<std::size_t>(i)] = true;
      }
    }
  }
  return open;
}

std::vector<bool> Agreed(const Calendar& calendar, const std::vector<CivilMinute>& civil, const Grid& grid) {
  std::vector<bool> closed(civil.size(), false);
  for (const Closure& closure : calendar.closures) {
    const int from = First(civil, ToMinute(closure.from));
    const int to = Last(civil, ToMinute(closure.to));
    const bool announced = closure.recorded_at <= grid.TimeOf(from - kBefore);
    if (!announced && !closure.approved) continue;
    for (int i = from; i < to; ++i) closed[static_cast<std::size_t>(i)] = true;
  }
  return closed;
}

}  // namespace

int Grid::TickOf(absl::Time t) const {
  if (t == absl::InfiniteFuture()) return kNever;
  if (t == absl::InfinitePast()) return -kNever;
  return static_cast<int>(absl::ToInt64Minutes(t - start));
}

Opening ReadCalendar(const Calendar& calendar, const Grid& grid) {
  const std::vector<CivilMinute> civil = CivilTimes(calendar, grid);
  const std::vector<bool> open = Hours(calendar, civil);
  const std::vector<bool> agreed = Agreed(calendar, civil, grid);
  int begins = 0;
  int ends = static_cast<int>(civil.size());
  if (calendar.in_service_from != absl::CivilDay::min())
    begins = First(civil, ToMinute(absl::CivilSecond(calendar.in_service_from)));
  if (calendar.retired_at != absl::CivilDay::max())
    ends = First(civil, ToMinute(absl::CivilSecond(calendar.retired_at)));
  Opening opening;
  for (int tick = 0; tick < grid.ticks; ++tick) {
    const int i = tick + kBefore;
    const bool hours = open[static_cast<std::size_t>(i)] && begins <= i && i < ends;
    opening.required.push_back(hours && !agreed[static_cast<std::size_t>(i)]);
    opening.excluded.push_back(hours && agreed[static_cast<std::size_t>(i)]);
  }
  return opening;
}

}  // namespace bayward::naive
