#include "server/api/held_periods.h"

#include <algorithm>
#include <optional>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/scope.h"
#include "server/registry/values.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

std::string NameOf(absl::CivilMonth month) { return fmt::format("{:04}-{:02}", month.year(), month.month()); }

absl::Time EndsEverywhere(const Fleet& fleet, absl::CivilMonth month) {
  const absl::CivilDay next(month + 1);
  absl::Time ends = fleet.sites.empty() ? absl::FromCivil(next, absl::UTCTimeZone()) : absl::InfinitePast();
  for (const Site& site : fleet.sites) ends = std::max(ends, StartOfDay(site.calendar, next));
  return ends;
}

std::optional<absl::CivilMonth> ParseMonth(std::string_view text) {
  // A month is written as its days are, without the day.
  const auto day = kDayFormat.parse(std::string(text) + "-01");
  if (!day || text.size() != 7) return std::nullopt;
  return absl::CivilMonth(*day);
}

}  // namespace

absl::CivilMonth LastWholeMonth(const Fleet& fleet, absl::Time now) {
  // At the earliest of the world's clocks the month is at most one ahead of UTC's.
  absl::CivilMonth month = absl::ToCivilMonth(now, absl::UTCTimeZone()) + 1;
  while (EndsEverywhere(fleet, month) > now) --month;
  return month;
}

HeldPeriod TrendPeriod(const Fleet& fleet, absl::CivilMonth month) {
  HeldPeriod period{NameOf(month), EndsEverywhere(fleet, month), {}};
  const absl::CivilDay first(month + 1 - kTrendMonths);
  period.window.set_from(FormatDay(std::max(first, absl::CivilDay(1970, 1, 1))));
  period.window.set_to(FormatDay(absl::CivilDay(month + 1)));
  return period;
}

absl::StatusOr<absl::CivilMonth> WantedMonth(const Fleet& fleet, std::string_view text, absl::Time now) {
  const absl::CivilMonth last = LastWholeMonth(fleet, now);
  if (text == "last") return last;
  const std::optional<absl::CivilMonth> month = ParseMonth(text);
  if (!month) {
    return InvalidArgument("month: expected a calendar month such as {}, or \"last\", found {}", NameOf(last),
                           Quoted(text));
  }
  if (*month > last) {
    return FailedPrecondition(
        "month: {} is not over at every site yet, so that there is no verdict to hold; the last whole month is {}",
        NameOf(*month), NameOf(last));
  }
  return *month;
}

HeldPeriod LastWholeWeek(absl::Time now) {
  const absl::CivilDay today = absl::ToCivilDay(now, absl::UTCTimeZone());
  const absl::CivilDay monday = absl::PrevWeekday(today + 1, absl::Weekday::monday);
  // A week belongs to the year that its Thursday is in.
  const absl::CivilDay thursday = monday - 4;
  HeldPeriod period;
  period.name = fmt::format("{:04}-W{:02}", thursday.year(), (absl::GetYearDay(thursday) - 1) / 7 + 1);
  period.ends = absl::FromCivil(monday, absl::UTCTimeZone());
  period.window.set_from(FormatInstant(absl::FromCivil(monday - 7 * kWorseListWeeks, absl::UTCTimeZone())));
  period.window.set_to(FormatInstant(period.ends));
  return period;
}

}  // namespace bayward
