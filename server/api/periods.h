// Cuts a window into a site's civil days, weeks or months. Pure: any thread may call.
#pragma once

#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/civil_time.h"
#include "bayward/v1/figures.pb.h"
#include "server/model/calendar.h"
#include "server/model/interval.h"

namespace bayward {

struct Period {
  absl::CivilDay first;  // its first date at the site; of the first and the last period only a part may be in the window
  Interval interval;
};

struct PeriodRule {
  v1::Step step = v1::STEP_DAY;
  int rolling_days = 0;  // more than 0: each interval covers so many days that end with its period
};

// The rule that a request asks for. InvalidArgument for an unknown step, rolling days without one, or more rolling days
// than a window may have.
absl::StatusOr<PeriodRule> PeriodRuleOf(const v1::GetAvailabilityRequest& request);

// The periods that a window touches, in order, each clipped to it: a rolling one at its end only.
std::vector<Period> PeriodsOf(const Calendar& calendar, const Interval& window, const PeriodRule& rule);

}  // namespace bayward
