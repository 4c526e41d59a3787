// Calendars that tests share. Values only: any thread may use them.
#pragma once

#include "server/model/calendar.h"

namespace bayward::testing {

// Open all day every day in UTC.
inline Calendar AlwaysOpen() {
  Calendar calendar;
  calendar.zones.push_back({absl::CivilDay::min(), "UTC", absl::UTCTimeZone()});
  WeekHours hours;
  hours.valid_from = absl::CivilDay::min();
  for (auto& day : hours.days) day.push_back({0, 1440});
  calendar.hours.push_back(hours);
  return calendar;
}

}  // namespace bayward::testing
