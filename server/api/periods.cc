#include "server/api/periods.h"

#include <algorithm>

#include "proto/common/status.h"
#include "server/api/window.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

absl::CivilDay FirstDayOf(absl::CivilDay day, v1::Step step) {
  switch (step) {
    case v1::STEP_MONTH: return absl::CivilDay(absl::CivilMonth(day));
    case v1::STEP_WEEK: return absl::PrevWeekday(day + 1, absl::Weekday::monday);
    default: return day;
  }
}

absl::CivilDay NextAfter(absl::CivilDay first, v1::Step step) {
  switch (step) {
    case v1::STEP_MONTH: return absl::CivilDay(absl::CivilMonth(first) + 1);
    case v1::STEP_WEEK: return first + 7;
    default: return first + 1;
  }
}

}  // namespace

absl::StatusOr<PeriodRule> PeriodRuleOf(const v1::GetAvailabilityRequest& request) {
  if (!v1::Step_IsValid(request.step())) {
    return InvalidArgument("step: expected day, week or month, found {}", static_cast<int>(request.step()));
  }
  if (request.rolling_days() > 0 && request.step() == v1::STEP_UNSPECIFIED) {
    return InvalidArgument("rolling_days: expected a step beside it: a row for each day, week or month");
  }
  if (request.rolling_days() > static_cast<std::uint32_t>(kWindowDaysMax)) {
    return InvalidArgument("rolling_days: expected at most {}, found {}", kWindowDaysMax, request.rolling_days());
  }
  return PeriodRule{request.step(), static_cast<int>(request.rolling_days())};
}

std::vector<Period> PeriodsOf(const Calendar& calendar, const Interval& window, const PeriodRule& rule) {
  std::vector<Period> periods;
  if (window.empty()) return periods;
  absl::CivilDay first = FirstDayOf(DayAt(calendar, window.start), rule.step);
  while (true) {
    const absl::CivilDay next = NextAfter(first, rule.step);
    const absl::Time begins = std::max(StartOfDay(calendar, first), window.start);
    if (begins >= window.end) return periods;
    const absl::Time ends = std::min(StartOfDay(calendar, next), window.end);
    Period period{first, {begins, ends}};
    if (rule.rolling_days > 0) period.interval.start = StartOfDay(calendar, next - rule.rolling_days);
    // A date that a zone change leaves out has no time.
    if (begins < ends) periods.push_back(period);
    first = next;
  }
}

}  // namespace bayward
