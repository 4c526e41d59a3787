// Required time: opening hours minus agreed closures within the service life, from civil time to absolute time.
// Rules 10 and 11 of the timeline: a civil time that does not exist is the transition instant; one that occurs twice
// opens at its first and closes at its second occurrence; hours may pass midnight; a zone change splits at its date.
#pragma once

#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/calendar.h"
#include "server/model/interval.h"

namespace bayward {

// Required time within `window`.
IntervalSet RequiredTime(const Calendar& calendar, const Interval& window);

// Opening hours within `window` that agreed closures take out of required time.
IntervalSet ExcludedTime(const Calendar& calendar, const Interval& window);

// Site-local midnight that begins `day`.
absl::Time StartOfDay(const Calendar& calendar, absl::CivilDay day);

// The instant of a civil time of the site: its first occurrence for an opening, its second for a closing.
absl::Time OpensAt(const Calendar& calendar, absl::CivilSecond civil);
absl::Time ClosesAt(const Calendar& calendar, absl::CivilSecond civil);

}  // namespace bayward
