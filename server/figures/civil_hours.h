// A site's time cut into clock hours of its own civil time, and which cell of demand each is. Pure: any thread may
// compute.
#pragma once

#include <vector>

#include "absl/time/civil_time.h"
#include "server/figures/lost_washes.h"
#include "server/model/calendar.h"
#include "server/model/interval.h"

namespace bayward {

// Days since a Monday, so that weeks counted in sevens are calendar weeks.
int DayNumber(absl::CivilDay day);
absl::CivilDay DayOfNumber(int number);

// One clock hour of one date, or the part of it that is left: at most an hour long.
struct CivilHour {
  Interval interval;
  int day = 0;  // DayNumber of its date
  int cell = 0;  // of demand.h: the hour of the week; of a public holiday the hour of such a day
};

// All of `window`, in order. An hour that the clock skips is not there, one that it shows twice is there twice, and a
// change of the clock or of the zone within an hour cuts it.
std::vector<CivilHour> CivilHours(const Calendar& calendar, const Interval& window);

// The parts of the hours that lie in `when`, as rows for one machine; hours without any are left out.
std::vector<ExposedHour> ExposedHours(const std::vector<CivilHour>& hours, std::size_t machine,
                                      const IntervalSet& when);

}  // namespace bayward
