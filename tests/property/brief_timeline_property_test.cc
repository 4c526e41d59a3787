// A timeline made from runs of cycles says what one made from every cycle says, however cycles were put into runs.
#include <algorithm>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "rapidcheck.h"
#include "server/figures/repeats.h"
#include "server/live/brief_timeline.h"
#include "server/store/cycle_runs.h"
#include "tests/property/harness.h"

namespace bayward::naive {
namespace {

// Moves cycles off the scenario's minutes, forgets some starts, and adds washes, so that runs meet borders anywhere.
MachineHistory WithMoreCycles(MachineHistory history, const Grid& grid) {
  const int more = Any(0, 60);
  for (int i = 0; i < more; ++i) {
    Cycle& cycle = history.cycles.emplace_back();
    cycle.finished_at = grid.TimeOf(Any(0, grid.ticks));
    cycle.started_at = cycle.finished_at - absl::Seconds(Any(0, 1200));
    cycle.outcome = *rc::gen::element(CycleOutcome::kCompleted, CycleOutcome::kCompleted, CycleOutcome::kAborted);
  }
  for (Cycle& cycle : history.cycles) {
    const absl::Duration later =
        absl::Microseconds(*rc::gen::element(0, 0, 1, 400'000, 999'999, 1'000'000, 31'500'000));
    cycle.finished_at += later;
    if (cycle.started_at != absl::InfinitePast()) cycle.started_at += later;
    cycle.rehearsal = Any(0, 12) == 0;
    if (Any(0, 6) == 0) cycle.started_at = absl::InfinitePast();
  }
  std::stable_sort(history.cycles.begin(), history.cycles.end(),
                   [](const Cycle& a, const Cycle& b) { return a.finished_at < b.finished_at; });
  return history;
}

constexpr std::int32_t kAssignment = 7;

struct Played {
  Scenario scenario = *ArbitraryScenario();
  Grid grid = GridOf(scenario);
  Script script = ScriptOf(scenario);
  Calendar calendar = CalendarOf(scenario, scenario.calendar);
  bool count_rehearsal = Any(0, 4) == 0;
  MachineHistory recorded = WithMoreCycles(HistoryOf(script), grid);
  // What finished later was not this assignment's to record.
  absl::Time assigned_until = Any(0, 2) == 0
                                  ? absl::InfiniteFuture()
                                  : grid.TimeOf(Any(0, grid.ticks)) + absl::Milliseconds(500);
  absl::Time now = ExtentOf(grid).end;

  MachineTimeline Full(const Interval& extent) const {
    MachineHistory history = recorded;
    std::erase_if(history.cycles, [&](const Cycle& cycle) { return cycle.finished_at >= assigned_until; });
    return {std::move(history), calendar, extent, count_rehearsal};
  }
  MachineTimeline Full() const { return Full(ExtentOf(grid)); }

  std::vector<StoredCycle> Stored(absl::Time from, absl::Time to) const {
    std::vector<StoredCycle> within;
    for (const Cycle& cycle : recorded.cycles) {
      if (from <= cycle.finished_at && cycle.finished_at <= to) within.push_back({cycle, kAssignment});
    }
    return within;
  }

  BriefTimeline Brief() const {
    BriefHistory brief;
    brief.history = recorded;
    brief.history.cycles = {};
    AssignedRuns& runs = brief.runs.emplace_back();
    runs.assignment = kAssignment;
    runs.assigned = {absl::InfinitePast(), assigned_until};
    for (const Cycle& cycle : recorded.cycles) AddCycle(cycle, Any(0, 5) != 0, runs.runs);
    std::vector<CycleRun> decoded;
    RC_ASSERT(DecodeRuns(EncodeRuns(runs.runs), decoded).ok());
    RC_ASSERT(decoded == runs.runs);
    BriefTimelineMaker maker(std::move(brief), count_rehearsal);
    std::vector<std::vector<StoredCycle>> cycles;
    for (const CycleRange& range : maker.needed()) cycles.push_back(Stored(range.from, range.to));
    const Interval extent{ExtentOf(grid).start - absl::Hours(Any(0, 30)),
                          now + absl::Minutes(Any(0, 3000))};
    return maker.Make(cycles, calendar, extent);
  }

  // As the keeper does it.
  void Decide(absl::Time at, CycleCounts& counts) const {
    const std::vector<CyclePart> parts = counts.Straddling(at);
    if (parts.empty()) return;
    std::vector<Cycle> counting;
    const IntervalSet voided(recorded.voided);
    for (const CyclePart& part : parts) {
      for (const auto& [cycle, assignment] : Stored(part.finished.start, part.finished.end)) {
        if ((cycle.rehearsal && !count_rehearsal) || voided.contains(cycle.finished_at)) continue;
        if (cycle.finished_at >= assigned_until) continue;
        if (part.IsOfSort(cycle)) counting.push_back(cycle);
      }
    }
    counts.Decide(at, counting);
  }
};

Interval ArbitraryWindow(const Played& played) {
  const auto at = [&] {
    return played.grid.TimeOf(Any(0, played.grid.ticks + 1)) +
           absl::Microseconds(*rc::gen::element(0, 0, 1, 499'999, 31'500'000));
  };
  const absl::Time a = at(), b = at();
  return {std::min({a, b, played.now}), std::min(std::max(a, b), played.now)};
}

CycleSums BruteForce(const MachineTimeline& full, const Interval& window) {
  CycleSums sums;
  for (const Cycle& cycle : full.history.cycles) {
    const bool known = cycle.started_at != absl::InfinitePast();
    if (window.contains(known ? cycle.started_at : cycle.finished_at)) ++sums.started;
    if (!window.contains(cycle.finished_at)) continue;
    ++sums.finished;
    if (known) ++sums.start_known;
    if (cycle.outcome == CycleOutcome::kAborted) ++sums.aborted;
    if (cycle.outcome != CycleOutcome::kCompleted) continue;
    ++sums.completed;
    if (full.blocked.contains(cycle.finished_at)) ++sums.contradictory;
  }
  return sums;
}

void AssertSame(const CycleSums& a, const CycleSums& b) {
  RC_ASSERT(a.finished == b.finished);
  RC_ASSERT(a.start_known == b.start_known);
  RC_ASSERT(a.completed == b.completed);
  RC_ASSERT(a.aborted == b.aborted);
  RC_ASSERT(a.contradictory == b.contradictory);
  RC_ASSERT(a.started == b.started);
}

TEST(BriefTimelineProperty, CountsCyclesAsOneByOne) {
  CheckProperty(1500, [] {
    const Played played;
    const MachineTimeline full = played.Full();
    const BriefTimeline brief = played.Brief();
    for (int i = 0; i < 3; ++i) {
      const Interval window = ArbitraryWindow(played);
      CycleCounts counts = *brief.cycles;
      played.Decide(window.start, counts);
      played.Decide(window.end, counts);
      AssertSame(counts.Within(window), BruteForce(full, window));
      AssertSame(CycleCounts::Of(full).Within(window), BruteForce(full, window));
    }
  });
}

TEST(BriefTimelineProperty, GivesTheSameAccountsAndOutages) {
  CheckProperty(1500, [] {
    const Played played;
    const MachineTimeline full = played.Full();
    const BriefTimeline brief = played.Brief();
    const Interval window = ArbitraryWindow(played);
    CycleCounts counts = *brief.cycles;
    played.Decide(window.start, counts);
    played.Decide(window.end, counts);
    const TimeAccount expected = ComputeAccount(full, window);
    const TimeAccount found = ComputeAccount(*brief.timeline, counts, window);
    RC_ASSERT(SumsOf(found) == SumsOf(expected));
    RC_ASSERT(found.provisional == expected.provisional);
    RC_ASSERT(found.contradictory_cycles == expected.contradictory_cycles);
    RC_ASSERT(brief.timeline->outages.size() == full.outages.size());
    for (std::size_t i = 0; i < full.outages.size(); ++i) {
      const Outage& a = brief.timeline->outages[i];
      const Outage& b = full.outages[i];
      RC_ASSERT(a.interval == b.interval);
      RC_ASSERT(a.down == b.down);
      RC_ASSERT(a.first_out->provenance.first == b.first_out->provenance.first);
      RC_ASSERT(a.begins_failure == b.begins_failure);
      RC_ASSERT(a.repeat == b.repeat);
    }
  });
}

TEST(BriefTimelineProperty, GivesTheSameRepeatsThatHeldAndThatNeverWashed) {
  CheckProperty(800, [] {
    const Played played;
    const BriefTimeline brief = played.Brief();
    const MachineTimeline full = played.Full(brief.extent);
    const std::vector<const MachineTimeline*> of_full = {&full}, of_brief = {brief.timeline.get()};
    // Long after, so that the 72 h after each outage are over.
    const Interval window = ExtentOf(played.grid);
    const absl::Time later = window.end + absl::Hours(100);
    const auto expected = RankRepeats(of_full, window, later);
    const auto found = RankRepeats(of_brief, window, later);
    RC_ASSERT(expected.ok() && found.ok());
    RC_ASSERT(found->size() == expected->size());
    for (std::size_t i = 0; i < expected->size(); ++i) {
      RC_ASSERT((*found)[i].restored == (*expected)[i].restored);
      RC_ASSERT((*found)[i].followed == (*expected)[i].followed);
      RC_ASSERT((*found)[i].repeats == (*expected)[i].repeats);
      RC_ASSERT((*found)[i].held == (*expected)[i].held);
      RC_ASSERT((*found)[i].no_wash == (*expected)[i].no_wash);
    }
  });
}

TEST(BriefTimelineProperty, SeenFurtherIsAsMadeAnew) {
  CheckProperty(600, [] {
    Played played;
    const BriefTimeline before = played.Brief();
    played.recorded.observed_until += absl::Minutes(Any(0, 400));
    const Interval extent = before.extent;
    const auto further = ObservedFurther(before, played.recorded.observed_until, played.calendar, extent);
    if (!further) return;
    const MachineTimeline anew = played.Full(extent);
    RC_ASSERT(anew.conditions.size() == further->timeline->conditions.size());
    RC_ASSERT(anew.blocked == further->timeline->blocked);
    RC_ASSERT(anew.in_doubt_from == further->timeline->in_doubt_from);
    RC_ASSERT(SumsOf(ComputeAccount(*further->timeline, *further->cycles, extent)) ==
              SumsOf(ComputeAccount(anew, extent)));
  });
}

}  // namespace
}  // namespace bayward::naive
