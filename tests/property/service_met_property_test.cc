// What customers met against a model that looks at every minute.
#include <algorithm>
#include <array>
#include <map>
#include <set>
#include <vector>

#include "gtest/gtest.h"
#include "rapidcheck.h"
#include "server/figures/service_met.h"
#include "tests/property/harness.h"

namespace bayward::naive {
namespace {

constexpr int kClasses = 8;  // of the scenarios, and one more
constexpr std::array<const char*, 3> kProgrammes = {"full", "short", "undeclared"};

CapabilityTables ArbitraryTables() {
  CapabilityTables tables;
  const auto some = [] {
    std::vector<CapabilityNumber> capabilities;
    for (CapabilityNumber c = 1; c <= 4; ++c) {
      if (Any(0, 3) == 0) capabilities.push_back(c);
    }
    return capabilities;
  };
  for (FaultClassNumber c = 1; c <= kClasses; ++c) tables.removed_by[c] = some();
  tables.needed_by["full"] = {1, 2, 4};
  tables.needed_by["short"] = some();
  return tables;
}

// Long ones, in which every second fault degrades.
Scenario AnyScenario() {
  Scenario scenario = *rc::gen::resize(rc::kNominalSize, ArbitraryScenario());
  for (Step& step : scenario.steps) {
    if (step.op == Op::kRaise && Any(0, 2) == 0) step.a = 5;
  }
  return scenario;
}

// A machine of the site, its washes sold in some way.
struct Bay {
  Scenario scenario = AnyScenario();
  Grid grid = GridOf(scenario);
  Script script = ScriptOf(scenario);
  Calendar calendar = CalendarOf(scenario, scenario.calendar);
  Model model = BuildModel(script, calendar, grid);
  MachineTimeline timeline{Sold(HistoryOf(script)), calendar, ExtentOf(grid), false};

  static MachineHistory Sold(MachineHistory history) {
    for (Cycle& cycle : history.cycles) {
      cycle.programme = kProgrammes[static_cast<std::size_t>(Any(0, static_cast<int>(kProgrammes.size())))];
      cycle.sold_as = static_cast<std::uint8_t>(Any(0, 5));
    }
    return history;
  }

  const Minute* At(absl::Time t) const {
    const int tick = grid.TickOf(t);
    return tick < 0 || tick >= grid.ticks ? nullptr : &model.minutes[static_cast<std::size_t>(tick)];
  }

  // Removed by a degrading fault in this minute.
  std::set<CapabilityNumber> Removed(const CapabilityTables& tables, int tick) const {
    std::set<CapabilityNumber> removed;
    for (const NaiveSpell& spell : model.reading.spells) {
      if (spell.fault.effect != Effect::kDegrading || !spell.ActiveAt(tick)) continue;
      for (const CapabilityNumber c : tables.removed_by.at(spell.fault.fault_class)) removed.insert(c);
    }
    removed.erase(kWashCapability);
    return removed;
  }
};

Interval ArbitraryWindow(const Grid& grid) {
  if (Any(0, 2) == 0) return ExtentOf(grid);
  const int a = Any(0, grid.ticks + 1), b = Any(0, grid.ticks + 1);
  return {grid.TimeOf(std::min(a, b)), grid.TimeOf(std::max(a, b))};
}

bool Known(const Minute& minute) {
  return minute.condition == Condition::kUp || minute.condition == Condition::kDegraded ||
         minute.condition == Condition::kDown;
}

TEST(ServiceMetProperty, CapabilitiesEqualALookAtEveryMinute) {
  int telling = 0;  // cases in which a washing machine went without something while degraded
  CheckProperty(800, [&telling] {
    const Bay bay;
    const CapabilityTables tables = ArbitraryTables();
    const Interval window = ArbitraryWindow(bay.grid);
    std::map<CapabilityNumber, int> missing;
    int up = 0, degraded = 0, down = 0;
    for (int tick = bay.grid.TickOf(window.start); tick < bay.grid.TickOf(window.end); ++tick) {
      const Minute& minute = bay.model.minutes[static_cast<std::size_t>(tick)];
      if (!minute.required || !Known(minute)) continue;
      up += minute.condition == Condition::kUp ? 1 : 0;
      degraded += minute.condition == Condition::kDegraded ? 1 : 0;
      down += minute.condition == Condition::kDown ? 1 : 0;
      if (minute.condition != Condition::kDegraded) continue;
      for (const CapabilityNumber c : bay.Removed(tables, tick)) ++missing[c];
    }
    const ServiceMet met = ComputeServiceMet(bay.timeline, window, tables);
    RC_ASSERT(met.up == absl::Minutes(up));
    RC_ASSERT(met.degraded == absl::Minutes(degraded));
    RC_ASSERT(met.down == absl::Minutes(down));
    if (!Washes(bay.timeline)) {
      RC_ASSERT(met.capabilities.empty());
      return;
    }
    telling += missing.empty() ? 0 : 1;
    std::set<CapabilityNumber> looked_at = {kWashCapability};
    for (const auto& [capability, minutes] : missing) looked_at.insert(capability);
    for (const Cycle& cycle : bay.timeline.history.cycles) {
      if (cycle.programme == "undeclared") continue;
      const auto& needs = tables.needed_by.at(cycle.programme);
      looked_at.insert(needs.begin(), needs.end());
    }
    RC_ASSERT(met.capabilities.size() == looked_at.size());
    for (const auto& [capability, time] : met.capabilities) {
      RC_ASSERT(looked_at.contains(capability));
      RC_ASSERT(time.observed == absl::Minutes(up + degraded + down));
      RC_ASSERT(time.missing == absl::Minutes(down + missing[capability]));
    }
  });
  EXPECT_GT(telling, 40);
}

TEST(ServiceMetProperty, SplittingAWindowAndAddingGivesTheSameTimes) {
  CheckProperty(300, [] {
    const Bay bay;
    const CapabilityTables tables = ArbitraryTables();
    const Interval window = ArbitraryWindow(bay.grid);
    const absl::Time middle =
        bay.grid.TimeOf(Any(bay.grid.TickOf(window.start), bay.grid.TickOf(window.end) + 1));
    ServiceMet sum = ComputeServiceMet(bay.timeline, {window.start, middle}, tables);
    sum += ComputeServiceMet(bay.timeline, {middle, window.end}, tables);
    const ServiceMet whole = ComputeServiceMet(bay.timeline, window, tables);
    RC_ASSERT(sum.FullService() == whole.FullService());
    for (const auto& [capability, time] : whole.capabilities) {
      // What was not missing in one part is not looked at there, unless a programme needs it.
      const absl::Duration missing = sum.capabilities[capability].missing;
      RC_ASSERT(missing <= time.missing);
      RC_ASSERT(missing >= time.missing - whole.down);
    }
    SoldWashes washes = CountSoldWashes(bay.timeline, {window.start, middle}, tables);
    washes += CountSoldWashes(bay.timeline, {middle, window.end}, tables);
    const SoldWashes all = CountSoldWashes(bay.timeline, window, tables);
    RC_ASSERT(washes.sold == all.sold);
    RC_ASSERT(washes.missing == all.missing);
    RC_ASSERT(washes.not_deliverable == all.not_deliverable);
  });
}

TEST(ServiceMetProperty, BaysTogetherEqualALookAtEveryMinute) {
  CheckProperty(400, [] {
    const int count = Any(0, 4);
    std::vector<std::unique_ptr<Bay>> bays;
    std::vector<const std::vector<ConditionSpan>*> conditions;
    for (int i = 0; i < count; ++i) {
      bays.push_back(std::make_unique<Bay>());
      conditions.push_back(&bays.back()->timeline.conditions);
    }
    if (bays.empty()) {
      RC_ASSERT(!ComputeSiteBays(conditions, {absl::UnixEpoch(), absl::UnixEpoch() + absl::Hours(1)}).AnyBay());
      return;
    }
    const Interval window = ArbitraryWindow(bays[0]->grid);
    int observed = 0, any = 0, all = 0, unknown = 0;
    for (absl::Time t = window.start; t < window.end; t += absl::Minutes(1)) {
      int required = 0, able = 0, not_known = 0;
      for (const auto& bay : bays) {
        const Minute* minute = bay->At(t);
        if (minute == nullptr || !minute->required) continue;
        ++required;
        able += minute->condition == Condition::kUp || minute->condition == Condition::kDegraded ? 1 : 0;
        not_known += minute->condition == Condition::kUnknown ? 1 : 0;
      }
      if (required == 0) continue;
      unknown += not_known > 0 ? 1 : 0;
      if (not_known > 0) continue;
      ++observed;
      any += able > 0 ? 1 : 0;
      all += able == required ? 1 : 0;
    }
    const SiteBays site = ComputeSiteBays(conditions, window);
    RC_ASSERT(site.bays == count);
    RC_ASSERT(site.observed == absl::Minutes(observed));
    RC_ASSERT(site.any == absl::Minutes(any));
    RC_ASSERT(site.all == absl::Minutes(all));
    RC_ASSERT(site.unknown == absl::Minutes(unknown));
  });
}

TEST(ServiceMetProperty, SoldWashesEqualALookAtEach) {
  int telling = 0;  // cases in which a wash was sold without what it needs
  CheckProperty(800, [&telling] {
    const Bay bay;
    const CapabilityTables tables = ArbitraryTables();
    const Interval window = ArbitraryWindow(bay.grid);
    std::map<MissingNeed, int> missing;
    int sold = 0, not_known = 0, lacking = 0;
    for (const Cycle& cycle : bay.timeline.history.cycles) {
      if (cycle.sold_as != 1 && cycle.sold_as != 2) continue;
      const bool start_known = cycle.started_at != absl::InfinitePast();
      if (!window.contains(start_known ? cycle.started_at : cycle.finished_at)) continue;
      (start_known ? sold : not_known) += 1;
      if (!start_known || cycle.programme == "undeclared") continue;
      const std::set<CapabilityNumber> removed = bay.Removed(tables, bay.grid.TickOf(cycle.started_at));
      int gone = 0;
      for (const CapabilityNumber need : tables.needed_by.at(cycle.programme)) {
        if (!removed.contains(need)) continue;
        ++missing[{cycle.programme, need}];
        ++gone;
      }
      lacking += gone > 0 ? 1 : 0;
    }
    const SoldWashes washes = CountSoldWashes(bay.timeline, window, tables);
    RC_ASSERT(washes.sold == sold);
    RC_ASSERT(washes.start_not_known == not_known);
    RC_ASSERT(washes.not_deliverable == lacking);
    RC_ASSERT(washes.missing == missing);
    telling += lacking > 0 ? 1 : 0;
  });
  EXPECT_GT(telling, 40);
}

}  // namespace
}  // namespace bayward::naive
