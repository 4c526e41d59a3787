// Time accounts, availability and ranking against the naive model, and what must hold of them in any case.
#include <algorithm>
#include <cmath>
#include <memory>
#include <span>

#include "absl/strings/str_cat.h"
#include "gtest/gtest.h"
#include "server/figures/gain.h"
#include "rapidcheck.h"
#include "tests/property/harness.h"

namespace bayward::naive {
namespace {

// A random machine, folded and computed.
struct Played {
  Scenario scenario = *ArbitraryScenario();
  Grid grid = GridOf(scenario);
  Script script = ScriptOf(scenario);
  Calendar calendar = CalendarOf(scenario, scenario.calendar);
  MachineTimeline timeline{HistoryOf(script), calendar, ExtentOf(grid), false};

  Interval Window(int from, int to) const { return {grid.TimeOf(from), grid.TimeOf(to)}; }
};

std::pair<int, int> ArbitraryWindow(const Grid& grid) {
  const int a = Any(0, grid.ticks + 1);
  const int b = Any(0, grid.ticks + 1);
  return {std::min(a, b), std::max(a, b)};
}

TEST(AccountProperty, EqualsTheNaiveModelInAnyWindow) {
  CheckProperty(1500, [] {
    const Played played;
    const Model model = BuildModel(played.script, played.calendar, played.grid);
    std::string differences = CompareAccount(model, played.timeline, 0, played.grid.ticks);
    const auto [from, to] = ArbitraryWindow(played.grid);
    differences += CompareAccount(model, played.timeline, from, to);
    if (!differences.empty()) RC_FAIL(differences);
  });
}

TEST(AccountProperty, SplittingAWindowAndAddingGivesTheSame) {
  CheckProperty(600, [] {
    const Played played;
    const auto [from, to] = ArbitraryWindow(played.grid);
    const int middle = Any(from, to + 1);
    TimeAccount sum = ComputeAccount(played.timeline, played.Window(from, middle));
    sum += ComputeAccount(played.timeline, played.Window(middle, to));
    const TimeAccount whole = ComputeAccount(played.timeline, played.Window(from, to));
    RC_ASSERT(SumsOf(sum) == SumsOf(whole));
  });
}

TEST(AccountProperty, RequiredTimeIsPartedWithoutHoleOrOverlap) {
  CheckProperty(600, [] {
    const Played played;
    const auto [from, to] = ArbitraryWindow(played.grid);
    const TimeAccount a = ComputeAccount(played.timeline, played.Window(from, to));
    RC_ASSERT(a.up + a.degraded + a.down + a.withheld + a.unknown() == a.required);
    absl::Duration by_origin;
    for (const absl::Duration part : a.down_by_origin) by_origin += part;
    RC_ASSERT(by_origin == a.down);
    RC_ASSERT(a.down_by_origin[static_cast<int>(Origin::kExternal)] == absl::ZeroDuration());
    RC_ASSERT(a.inferred <= a.down);
    RC_ASSERT(a.withheld_upkeep <= a.withheld);
    std::vector<Interval> spans;
    absl::Duration total;
    for (const ConditionSpan& span : played.timeline.conditions) {
      spans.push_back(span.interval);
      total += span.interval.length();
    }
    RC_ASSERT(IntervalSet(spans) == played.timeline.required);
    RC_ASSERT(total == played.timeline.required.length());
  });
}

TEST(AvailabilityProperty, LiesWithinItsBounds) {
  CheckProperty(600, [] {
    const Played played;
    const auto [from, to] = ArbitraryWindow(played.grid);
    const TimeAccount account = ComputeAccount(played.timeline, played.Window(from, to));
    const Availability a = ComputeAvailability(account);
    RC_ASSERT(a.low.has_value() == a.high.has_value());
    if (a.low) RC_ASSERT(0 <= *a.low && *a.low <= *a.high && *a.high <= 1);
    if (a.point) {
      RC_ASSERT(a.low.has_value());
      RC_ASSERT(*a.low <= *a.point && *a.point <= *a.high);
      const double up = absl::ToDoubleHours(account.observed_up());
      const double down = absl::ToDoubleHours(account.down);
      RC_ASSERT(std::abs(*a.point - up / (up + down)) < 1e-12);
      RC_ASSERT(a.service.has_value() && *a.service <= *a.point);
      RC_ASSERT(a.iec.has_value() && *a.iec <= *a.point);
    } else {
      RC_ASSERT(account.observed_up() + account.down == absl::ZeroDuration());
    }
  });
}

TEST(RankingProperty, EqualsTheNaiveModelAndSumsToDownTime) {
  CheckProperty(1500, [] {
    const Played played;
    const Model model = BuildModel(played.script, played.calendar, played.grid);
    const auto [from, to] = ArbitraryWindow(played.grid);
    const std::string differences = CompareRanking(model, played.timeline, 0, played.grid.ticks) +
                                    CompareRanking(model, played.timeline, from, to);
    if (!differences.empty()) RC_FAIL(differences);
    const MachineTimeline* const machines[] = {&played.timeline};
    absl::Duration first_out;
    for (const RankingRow& row :
         RankFaults(std::span(machines), played.Window(from, to), RankBy::kFirstOut)) {
      first_out += row.first_out;
      RC_ASSERT(row.alone <= row.present);
    }
    RC_ASSERT(first_out == ComputeAccount(played.timeline, played.Window(from, to)).down);
  });
}

TEST(RankingProperty, SeveralMachinesAddUp) {
  CheckProperty(100, [] {
    const Played one;
    const Played other;
    const MachineTimeline* const machines[] = {&one.timeline, &other.timeline};
    const Interval windows[] = {ExtentOf(one.grid), ExtentOf(other.grid)};
    const auto rows = RankFaults(std::span(machines), std::span(windows), RankBy::kPresent);
    const auto column = [](const std::vector<RankingRow>& from, FaultClassNumber fault_class) {
      const auto row = std::find_if(from.begin(), from.end(), [fault_class](const RankingRow& r) {
        return r.fault_class == fault_class;
      });
      return row == from.end() ? RankingRow() : *row;
    };
    const auto alone = [&](std::size_t i) {
      return RankFaults(std::span(machines).subspan(i, 1), windows[i], RankBy::kFirstOut);
    };
    const auto first = alone(0);
    const auto second = alone(1);
    for (FaultClassNumber c = kSettledAsDown; c <= 7; ++c) {
      const RankingRow both = column(rows, c);
      const RankingRow a = column(first, c);
      const RankingRow b = column(second, c);
      RC_ASSERT(both.first_out == a.first_out + b.first_out);
      RC_ASSERT(both.alone == a.alone + b.alone);
      RC_ASSERT(both.present == a.present + b.present);
      RC_ASSERT(both.outages == a.outages + b.outages);
      RC_ASSERT(both.failures == a.failures + b.failures);
      RC_ASSERT(both.machines == a.machines + b.machines);
    }
    for (std::size_t i = 0; i + 1 < rows.size(); ++i) {
      RC_ASSERT(rows[i].present >= rows[i + 1].present);
      RC_ASSERT(rows[i].rank < rows[i + 1].rank);
    }
  });
}

TEST(GainProperty, RemovingAClassNeverLowersAvailability) {
  CheckProperty(600, [] {
    const Played played;
    const FaultClassNumber removed = Any(1, 8);
    MachineHistory history = HistoryOf(played.script);
    bool external = false;
    std::erase_if(history.spells, [&](const Spell& spell) {
      const bool gone = spell.fault_class == removed;
      if (gone && spell.origin == Origin::kExternal) external = true;
      return gone;
    });
    RC_LOG(absl::StrCat("removed class ", removed));
    const MachineTimeline without(history, played.calendar, ExtentOf(played.grid), false);
    const TimeAccount before = ComputeAccount(played.timeline, ExtentOf(played.grid));
    const TimeAccount after = ComputeAccount(without, ExtentOf(played.grid));
    RC_ASSERT(after.required == before.required);
    RC_ASSERT(after.down <= before.down);
    RC_ASSERT(after.observed_up() >= before.observed_up());
    const Availability was = ComputeAvailability(before);
    const Availability is = ComputeAvailability(after);
    const FaultClassNumber classes[] = {removed};
    const MachineTimeline* const machines[] = {&played.timeline};
    const Interval windows[] = {ExtentOf(played.grid)};
    const std::vector<Gain> gains = ComputeGains(machines, windows, classes);
    RC_ASSERT(gains.size() == 1u);
    RC_ASSERT(gains[0].alone.observed_up() == after.observed_up());
    RC_ASSERT(gains[0].alone.down == after.down);
    RC_ASSERT(gains[0].alone.unknown() == after.unknown());
    RC_ASSERT(gains[0].with_consequences.required == before.required);
    if (played.timeline.history.modes.empty()) RC_ASSERT(gains[0].with_consequences.down <= after.down);
    constexpr double kRounding = 1e-12;
    if (was.point && is.point) RC_ASSERT(*is.point >= *was.point - kRounding);
    if (was.service && is.service) RC_ASSERT(*is.service >= *was.service - kRounding);
    // An external spell through a gap is withheld time, which is in no bound; without it the gap is unknown.
    if (external) return;
    if (was.low && is.low) RC_ASSERT(*is.low >= *was.low - kRounding);
    if (was.high && is.high) RC_ASSERT(*is.high >= *was.high - kRounding);
  });
}

// Figures rule 8: a long spell may bridge two others; without it there are more failures.
TEST(GainProperty, RemovingAClassMayRaiseTheNumberOfFailures) {
  const Grid grid{absl::FromCivil(absl::CivilDay(2026, 6, 15), absl::UTCTimeZone()), 1440};
  Calendar calendar;
  calendar.zones.push_back({absl::CivilDay(2026, 1, 1), "UTC", absl::UTCTimeZone()});
  WeekHours week;
  week.valid_from = absl::CivilDay::min();
  for (auto& day : week.days) day.push_back({0, 1440});
  calendar.hours.push_back(week);
  MachineHistory history;
  history.observed.push_back({.from = grid.start});
  history.observed_until = grid.TimeOf(1440);
  std::uint64_t sequence = 0;
  const auto spell = [&](FaultClassNumber fault_class, int from, int to) {
    Spell s;
    s.fault_class = fault_class;
    s.raised_at = grid.TimeOf(from);
    s.cleared_at = grid.TimeOf(to);
    s.end = SpellEnd::kCleared;
    s.provenance.first = {EpochId{1}, ++sequence};
    s.provenance.last = {EpochId{1}, ++sequence};
    history.spells.push_back(s);
  };
  spell(1, 540, 570);
  spell(2, 560, 620);
  spell(3, 610, 660);
  const MachineTimeline with(history, calendar, ExtentOf(grid), false);
  std::erase_if(history.spells, [](const Spell& s) { return s.fault_class == 2; });
  const MachineTimeline without(history, calendar, ExtentOf(grid), false);
  const TimeAccount before = ComputeAccount(with, ExtentOf(grid));
  const TimeAccount after = ComputeAccount(without, ExtentOf(grid));
  EXPECT_EQ(before.failures, 1);
  EXPECT_EQ(before.down, absl::Minutes(120));
  EXPECT_EQ(after.failures, 2);
  EXPECT_EQ(after.down, absl::Minutes(80));
  EXPECT_GT(*ComputeAvailability(after).point, *ComputeAvailability(before).point);
  // MTBF falls: 1320 minutes of up time a failure before, 680 after.
  EXPECT_LT(after.observed_up() / after.failures, before.observed_up() / before.failures);
}

}  // namespace
}  // namespace bayward::naive
