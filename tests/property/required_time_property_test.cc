// Required time against asking the zone for every minute's civil time, over DST days of four zones.
#include "gtest/gtest.h"
#include "rapidcheck.h"
#include "server/timeline/required_time.h"
#include "tests/property/harness.h"

namespace bayward::naive {
namespace {

Scenario ArbitraryPlace() {
  Scenario scenario;
  scenario.place = Any(0, kPlaceCount);
  return scenario;
}

TEST(RequiredTimeProperty, EqualsTheCivilTimeOfEveryMinute) {
  CheckProperty(400, [] {
    const Scenario scenario = ArbitraryPlace();
    const Calendar calendar = CalendarOf(scenario, *ArbitraryCalendar());
    const Grid grid = GridOf(scenario);
    RC_LOG(Describe(calendar));
    const std::string differences = CompareOpening(calendar, grid);
    if (!differences.empty()) RC_FAIL(differences);
  });
}

TEST(RequiredTimeProperty, SplitWindowsJoin) {
  CheckProperty(200, [] {
    const Scenario scenario = ArbitraryPlace();
    const Calendar calendar = CalendarOf(scenario, *ArbitraryCalendar());
    const Grid grid = GridOf(scenario);
    const Interval all = ExtentOf(grid);
    const absl::Time middle = grid.TimeOf(Any(0, grid.ticks));
    RC_LOG(Describe(calendar));
    const Interval before{all.start, middle};
    const Interval after{middle, all.end};
    RC_ASSERT(RequiredTime(calendar, before).Union(RequiredTime(calendar, after)) ==
              RequiredTime(calendar, all));
    RC_ASSERT(ExcludedTime(calendar, before).Union(ExcludedTime(calendar, after)) ==
              ExcludedTime(calendar, all));
    RC_ASSERT(RequiredTime(calendar, all).Intersect(ExcludedTime(calendar, all)).empty());
  });
}

}  // namespace
}  // namespace bayward::naive
