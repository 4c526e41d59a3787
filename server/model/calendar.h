// When a machine must be able to wash, as declared: opening hours, holidays, closures, service life, in the site's own
// civil time. Rows are those in force as of the report's `as_of`; turning them into absolute time is timeline's.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/interval.h"

namespace bayward {

// Monday to Sunday, and public holidays, which replace the weekday.
enum class DayKind : std::uint8_t {
  kMonday = 0, kTuesday, kWednesday, kThursday, kFriday, kSaturday, kSunday, kHoliday
};
inline constexpr int kDayKinds = 8;

// Opening hours of one day, in minutes of civil time after that day's midnight: 0 <= open < 1440, open < close,
// close <= open + 1440. close > 1440 passes midnight.
struct DayHours {
  int open_minute = 0;
  int close_minute = 0;
  bool operator==(const DayHours&) const = default;
};

// A week's pattern, valid for site-local dates [valid_from, valid_to). A day with no entry is closed.
struct WeekHours {
  absl::CivilDay valid_from;
  absl::CivilDay valid_to = absl::CivilDay::max();
  std::array<std::vector<DayHours>, kDayKinds> days;
  bool operator==(const WeekHours&) const = default;
};

// The site's zone from a date on. The first row's date is ignored: it holds from the beginning.
struct ZoneSpan {
  absl::CivilDay valid_from;
  std::string name;  // IANA
  absl::TimeZone zone;
};

// A closure agreed with the owner, in civil time of the site, [from, to).
struct Closure {
  absl::CivilSecond from;
  absl::CivilSecond to = absl::CivilSecond::max();
  std::string reason;
  absl::Time recorded_at;  // after its start: unannounced
  bool approved = false;   // by the owner, though unannounced
};

struct Calendar {
  std::vector<ZoneSpan> zones;  // by date, at least one
  std::vector<WeekHours> hours;  // by date, validity not overlapping
  std::vector<absl::CivilDay> holidays;  // sorted
  std::vector<Closure> closures;
  absl::CivilDay in_service_from = absl::CivilDay::min();
  absl::CivilDay retired_at = absl::CivilDay::max();
};

}  // namespace bayward
