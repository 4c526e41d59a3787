#include "server/api/covered_hours.h"

#include <algorithm>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "proto/common/status.h"
#include "server/api/scope.h"
#include "server/registry/values.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

constexpr std::size_t kWeekdays = 7;

// The parts between separators, without the blanks around them; empty ones are left out.
std::vector<std::string_view> Parts(std::string_view text, char separator) {
  std::vector<std::string_view> parts;
  while (!text.empty()) {
    const std::size_t end = std::min(text.find(separator), text.size());
    std::string_view part = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    while (!part.empty() && part.front() == ' ') part.remove_prefix(1);
    while (!part.empty() && part.back() == ' ') part.remove_suffix(1);
    if (!part.empty()) parts.push_back(part);
  }
  return parts;
}

std::optional<std::size_t> DayOf(std::string_view name) {
  const auto found = std::find(kDayNames.begin(), kDayNames.end(), name);
  if (found == kDayNames.end()) return std::nullopt;
  return static_cast<std::size_t>(found - kDayNames.begin());
}

absl::Status NoDays(std::string_view found) {
  return InvalidArgument("covered_hours: expected days such as mon, mon-fri or holiday, found {}", Quoted(found));
}

// "sat-mon" goes over the week's end.
absl::StatusOr<std::vector<std::size_t>> DaysOf(std::string_view text) {
  const std::size_t dash = text.find('-');
  if (dash == std::string_view::npos) {
    const auto day = DayOf(text);
    if (!day) return NoDays(text);
    return std::vector<std::size_t>{*day};
  }
  const auto first = DayOf(text.substr(0, dash));
  const auto last = DayOf(text.substr(dash + 1));
  if (!first || !last || *first >= kWeekdays || *last >= kWeekdays) return NoDays(text);
  std::vector<std::size_t> days = {*first};
  while (days.back() != *last) days.push_back((days.back() + 1) % kWeekdays);
  return days;
}

}  // namespace

absl::StatusOr<WeekHours> ReadCoveredHours(std::string_view text) {
  WeekHours week;
  week.valid_from = absl::CivilDay::min();
  bool any = false;
  for (const std::string_view item : Parts(text, ',')) {
    const std::vector<std::string_view> words = Parts(item, ' ');
    BAYWARD_ASSIGN_OR_RETURN(const std::vector<std::size_t> days, DaysOf(words.front()));
    if (words.size() == 1) {
      return InvalidArgument("covered_hours: expected hours after {}, such as 08:00-18:00", Quoted(words.front()));
    }
    for (std::size_t i = 1; i < words.size(); ++i) {
      const std::optional<DayHours> hours = kHoursFormat.parse(words[i]);
      if (!hours) {
        return InvalidArgument("covered_hours: expected {}, found {}", kHoursFormat.expected, Quoted(words[i]));
      }
      for (const std::size_t day : days) week.days[day].push_back(*hours);
    }
    any = true;
  }
  if (!any) {
    return InvalidArgument("covered_hours: expected days and hours such as \"mon-fri 08:00-18:00\", found {}",
                           Quoted(text));
  }
  return week;
}

IntervalSet CoveredTime(const WeekHours& covered, const Calendar& site, const Interval& extent) {
  Calendar calendar;
  calendar.zones = site.zones;
  calendar.holidays = site.holidays;
  calendar.hours = {covered};
  return RequiredTime(calendar, extent);
}

}  // namespace bayward
