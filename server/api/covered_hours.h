// The hours that a contract covers, as people write them, and as time at a site. Pure: any thread may call.
#pragma once

#include <string_view>

#include "absl/status/statusor.h"
#include "server/model/calendar.h"
#include "server/model/interval.h"

namespace bayward {

// "mon-fri 08:00-18:00, sat 09:00-13:00": items apart by commas, each of days (mon … sun, a range of them, or
// holiday) and one or more hours apart by blanks; "22:00-06:00" passes midnight, "00:00-24:00" is all day. Hours of a
// day given twice are joined. Public holidays are covered only by an item of their own. InvalidArgument says what
// cannot be read.
absl::StatusOr<WeekHours> ReadCoveredHours(std::string_view text);

// Covered time within `extent` at a site with these zones and holidays, whatever its opening hours.
IntervalSet CoveredTime(const WeekHours& covered, const Calendar& site, const Interval& extent);

}  // namespace bayward
