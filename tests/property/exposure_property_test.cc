// The clocks and counts that figures of failures stand on, against counting by hand, and a call's time against
// looking at each minute.
#include <algorithm>
#include <cmath>
#include <vector>

#include "gtest/gtest.h"
#include "rapidcheck.h"
#include "server/figures/call_time.h"
#include "server/figures/exposure.h"
#include "server/figures/failure_ages.h"
#include "server/figures/wash_clock.h"
#include "server/figures/weekly_counts.h"
#include "server/timeline/required_time.h"
#include "tests/property/harness.h"

namespace bayward::naive {
namespace {

struct Played {
  Scenario scenario = *ArbitraryScenario();
  Grid grid = GridOf(scenario);
  Script script = ScriptOf(scenario);
  Calendar calendar = CalendarOf(scenario, scenario.calendar);
  MachineTimeline timeline{HistoryOf(script), calendar, ExtentOf(grid), false};
  int from = Any(0, grid.ticks);
  int to = Any(from + 1, grid.ticks + 1);
  Interval window{grid.TimeOf(from), grid.TimeOf(to)};
};

TEST(WashClockProperty, EqualsCountingAtEachMinute) {
  CheckProperty(300, [] {
    const Played played;
    const WashClock clock(played.timeline, played.window);
    for (int tick = played.from; tick <= played.to; ++tick) {
      const absl::Time at = played.grid.TimeOf(tick);
      long begun = 0;
      for (const Cycle& cycle : played.timeline.history.cycles) {
        const absl::Time start = cycle.started_at == absl::InfinitePast() ? cycle.finished_at : cycle.started_at;
        begun += played.window.contains(start) && start <= at ? 1 : 0;
      }
      RC_ASSERT(clock.StartsAt(at) == static_cast<double>(tick == played.from ? 0 : begun));
    }
  });
}

TEST(WeeklyCountsProperty, AddUpToTheWhole) {
  CheckProperty(300, [] {
    const Played played;
    // The site's weeks, cut as a report cuts them.
    WeeklyCounts weeks;
    absl::CivilDay monday = absl::PrevWeekday(DayAt(played.calendar, played.window.start) + 1, absl::Weekday::monday);
    for (; StartOfDay(played.calendar, monday) < played.window.end; monday += 7) {
      const Interval week{StartOfDay(played.calendar, monday), StartOfDay(played.calendar, monday + 7)};
      weeks.Add(monday, ComputeAccount(played.timeline, Intersect(week, played.window)));
    }
    const TimeAccount whole = ComputeAccount(played.timeline, played.window);
    int failures = 0;
    double hours = 0;
    for (const ExposedCount& week : weeks.InOrder()) {
      failures += week.count;
      hours += week.exposure;
    }
    RC_ASSERT(failures == whole.failures);
    RC_ASSERT(std::abs(hours - absl::ToDoubleHours(whole.observed_up())) < 1e-9);
    RC_ASSERT(weeks.has_exposure() == (whole.observed_up() > absl::ZeroDuration()));
  });
}

TEST(FailureAgesProperty, EveryFailureIsUnderObservationOrCountedApart) {
  CheckProperty(600, [] {
    const Played played;
    const auto failures = static_cast<long>(FailuresWithin(played.timeline, played.window, true).size());
    for (const FailureAxis axis : {FailureAxis::kUpHours, FailureAxis::kWashStarts}) {
      const FailureAges ages = AgesOfFailures(played.timeline, played.window, axis);
      RC_ASSERT(static_cast<long>(ages.unit.events.size()) + ages.without_span == failures);
      // The estimator checks that spans and events are as it needs them.
      const std::vector<UnitHistory> units(ages.unit.at_risk.empty() ? 0 : 1, ages.unit);
      const auto curve = EstimateMeanCumulative(units, 0.95);
      RC_ASSERT(curve.ok());
    }
  });
}

TEST(FailureAgesProperty, TimeAtRiskIsTheUpTimeInSight) {
  CheckProperty(600, [] {
    const Played played;
    double seen = 0;
    for (const ConditionSpan& span : played.timeline.conditions) {
      if (span.settled || (span.condition != Condition::kUp && span.condition != Condition::kDegraded)) continue;
      seen += absl::ToDoubleHours(Intersect(span.interval, played.window).length());
    }
    double at_risk = 0;
    for (const AgeSpan& span : AgesOfFailures(played.timeline, played.window, FailureAxis::kUpHours).unit.at_risk) {
      at_risk += span.to - span.from;
    }
    RC_ASSERT(std::abs(at_risk - seen) < 1e-9);
  });
}

absl::Time Minute(int minute) { return absl::UnixEpoch() + absl::Minutes(minute); }

std::vector<Interval> ArbitraryPieces() {
  std::vector<Interval> pieces;
  const int count = Any(0, 4);
  for (int i = 0; i < count; ++i) {
    const int from = Any(-20, 200);
    pieces.push_back({Minute(from), Minute(from + Any(0, 60))});
  }
  return pieces;
}

bool Within(const std::vector<Interval>& pieces, absl::Time at) {
  return std::any_of(pieces.begin(), pieces.end(), [&](const Interval& piece) { return piece.contains(at); });
}

TEST(CallTimeProperty, SumsExactlyAndEqualsLookingAtEachMinute) {
  CheckProperty(2000, [] {
    CallRecord call;
    const int detected = Any(0, 60);
    const int now = detected + Any(0, 200);
    call.failed_at = Minute(0);
    call.detected_at = Minute(detected);
    for (int i = Any(0, 3); i > 0; --i)
      call.visits_decided.push_back(Minute(Any(-10, 250)));
    call.travelling = ArbitraryPieces();
    call.working = ArbitraryPieces();
    call.waiting_for_parts = ArbitraryPieces();
    int end = now;
    if (*rc::gen::arbitrary<bool>()) {
      const int restored = Any(0, now + 1);
      call.restored_at = Minute(restored);
      if (*rc::gen::arbitrary<bool>()) {
        end = Any(std::max(restored, detected), now + 1);
        call.proven_at = Minute(end);
      }
    }
    const auto split = SplitCallTime(call, Minute(now));
    RC_ASSERT(split.ok());
    RC_ASSERT(split->fault_detection + split->administrative_delay + split->logistic_delay +
                  split->active_maintenance + split->function_checkout ==
              split->total);
    RC_ASSERT(split->total == absl::Minutes(end));
    RC_ASSERT(split->travelling + split->waiting_for_parts <= split->logistic_delay);
    int parts[5] = {};  // detection, administrative, logistic, work, checkout
    for (int minute = 0; minute < end; ++minute) {
      const absl::Time at = Minute(minute);
      if (minute < detected) {
        ++parts[0];
        continue;
      }
      // Work counts from detection to the end of the call.
      bool work_follows = false;
      for (int later = minute; later < end; ++later)
        work_follows = work_follows || Within(call.working, Minute(later));
      const auto called_for = [&](absl::Time decided) {
        if (decided > at) return false;
        const int since = std::max(detected, static_cast<int>(absl::ToInt64Minutes(decided - Minute(0))));
        for (int before = since; before <= minute; ++before) {
          if (Within(call.working, Minute(before))) return false;
        }
        return true;
      };
      if (Within(call.working, at)) {
        ++parts[3];
      } else if (call.restored_at && at >= *call.restored_at && !work_follows) {
        ++parts[4];
      } else if (Within(call.travelling, at) || Within(call.waiting_for_parts, at) ||
                 std::any_of(call.visits_decided.begin(), call.visits_decided.end(), called_for)) {
        ++parts[2];
      } else {
        ++parts[1];
      }
    }
    RC_ASSERT(split->fault_detection == absl::Minutes(parts[0]));
    RC_ASSERT(split->administrative_delay == absl::Minutes(parts[1]));
    RC_ASSERT(split->logistic_delay == absl::Minutes(parts[2]));
    RC_ASSERT(split->active_maintenance == absl::Minutes(parts[3]));
    RC_ASSERT(split->function_checkout == absl::Minutes(parts[4]));
  });
}

}  // namespace
}  // namespace bayward::naive
