// Required time: opening hours minus agreed closures within the service life, from civil time to absolute
// time. Pure: any thread may compute. Rules 10 and 11 of the timeline: a civil time that does not exist is
// the transition instant; one that occurs twice opens at its first and closes at its second occurrence; hours
// may pass midnight; a zone change splits at its date: a civil time is read in the zone of its own date, and
// none lies beyond the instant at which the next zone's date begins.
#pragma once

#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/calendar.h"
#include "server/model/interval.h"

namespace bayward {

// Required time within `window`, never outside the years 1970 to 2199. A closure counts as agreed if it was
// recorded at or before its start, or is approved; else it stays in required time.
IntervalSet RequiredTime(const Calendar& calendar, const Interval& window);

// Opening hours within `window` that agreed closures take out of required time.
IntervalSet ExcludedTime(const Calendar& calendar, const Interval& window);

// Site-local midnight that begins `day`; where midnight does not exist, the transition instant.
absl::Time StartOfDay(const Calendar& calendar, absl::CivilDay day);

// The instant of a civil time of the site: its first occurrence for an opening, its second for a closing.
absl::Time OpensAt(const Calendar& calendar, absl::CivilSecond civil);
absl::Time ClosesAt(const Calendar& calendar, absl::CivilSecond civil);

// The date at the site at an instant.
absl::CivilDay DayAt(const Calendar& calendar, absl::Time at);

}  // namespace bayward
