// What the random histories of the other property tests reach: a comparison with the naive model shows nothing about
// what never happens in it.
#include <map>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "gtest/gtest.h"
#include "tests/property/harness.h"

namespace bayward::naive {
namespace {

constexpr int kScenarios = 2000;
constexpr int kEnough = 5;

// In how many scenarios each expected thing was met.
class Met {
 public:
  explicit Met(const std::vector<std::string>& expected) {
    for (const std::string& what : expected) scenarios_[what] = 0;
  }

  void Add(const std::map<std::string, bool>& in_one) {
    for (auto& [what, scenarios] : scenarios_) {
      const auto found = in_one.find(what);
      scenarios += found != in_one.end() && found->second ? 1 : 0;
    }
  }

  void ExpectEnough() const {
    for (const auto& [what, count] : scenarios_) EXPECT_GE(count, kEnough) << what;
  }

 private:
  std::map<std::string, int> scenarios_;
};

std::string Class(int fault_class) { return absl::StrCat("class ", fault_class); }
std::string Kind(Effect effect, Origin origin) {
  return absl::StrCat("effect ", static_cast<int>(effect), " origin ", static_cast<int>(origin));
}
std::string End(SpellEnd end) { return absl::StrCat("spell end ", static_cast<int>(end)); }
std::string ModeIs(Mode mode, ModeReason reason) {
  return absl::StrCat("mode ", static_cast<int>(mode), " reason ", static_cast<int>(reason));
}
std::string Outcome(CycleOutcome outcome) { return absl::StrCat("cycle outcome ", static_cast<int>(outcome)); }

std::vector<std::string> Recordable() {
  std::vector<std::string> all;
  for (int fault_class = 1; fault_class <= 7; ++fault_class) all.push_back(Class(fault_class));
  for (const Origin origin : {Origin::kInternal, Origin::kExternal, Origin::kUser, Origin::kPeople}) {
    for (const Effect effect : {Effect::kBlocking, Effect::kDegrading}) all.push_back(Kind(effect, origin));
  }
  all.push_back(Kind(Effect::kAdvisory, Origin::kInternal));
  for (const SpellEnd end : {SpellEnd::kOpen, SpellEnd::kCleared, SpellEnd::kEffectChanged, SpellEnd::kLostSight,
                             SpellEnd::kHandedOver})
    all.push_back(End(end));
  for (const ModeReason reason : {ModeReason::kNone, ModeReason::kFrost, ModeReason::kWaterRestriction,
                                  ModeReason::kQuietHours, ModeReason::kUpkeep, ModeReason::kOther})
    all.push_back(ModeIs(Mode::kClosed, reason));
  all.push_back(ModeIs(Mode::kOccupied, ModeReason::kNone));
  for (const CycleOutcome outcome : {CycleOutcome::kCompleted, CycleOutcome::kAborted, CycleOutcome::kAbandoned})
    all.push_back(Outcome(outcome));
  all.insert(all.end(), {"began unobserved", "raised again", "voided", "handed over"});
  return all;
}

std::map<std::string, bool> RecordedIn(const Script& script) {
  std::map<std::string, bool> met;
  const Folded folded = FoldScript(script);
  const MachineHistory history = HistoryOf(folded, script);
  for (const Spell& spell : history.spells) {
    met[Class(spell.fault_class)] = met[Kind(spell.effect, spell.origin)] = met[End(spell.end)] = true;
    if (spell.began_unobserved) met["began unobserved"] = true;
    if (spell.further_raises > 0) met["raised again"] = true;
  }
  for (const ModeSpan& mode : history.modes) met[ModeIs(mode.mode, mode.reason)] = true;
  for (const Cycle& cycle : history.cycles) met[Outcome(cycle.outcome)] = true;
  met["voided"] = !history.voided.empty();
  met["handed over"] = folded.out.size() > 1;
  return met;
}

TEST(ScenarioCoverageProperty, EveryKindOfRecordIsMet) {
  Met met(Recordable());
  CheckProperty(kScenarios, [&] { met.Add(RecordedIn(ScriptOf(*ArbitraryScenario()))); });
  met.ExpectEnough();
}

bool Occupied(const MachineHistory& history, const Interval& span) {
  for (const ModeSpan& mode : history.modes) {
    if (mode.mode == Mode::kOccupied && mode.from <= span.start && span.end <= mode.to) return true;
  }
  return false;
}

std::string Name(const ConditionSpan& span) {
  std::string name = absl::StrCat("condition ", static_cast<int>(span.condition));
  if (span.condition == Condition::kDown) absl::StrAppend(&name, " origin ", static_cast<int>(span.down_origin));
  if (span.condition == Condition::kUnknown) absl::StrAppend(&name, " kind ", static_cast<int>(span.unknown));
  if (span.condition == Condition::kWithheld) {
    absl::StrAppend(&name, " reason ", static_cast<int>(span.withheld_reason),
                    span.withheld_external ? " external" : "");
  }
  return name;
}

std::map<std::string, bool> ComputedFrom(const MachineTimeline& timeline) {
  std::map<std::string, bool> met;
  const IntervalSet observed = [&] {
    std::vector<Interval> spans;
    for (const ObservedSpan& span : timeline.history.observed) spans.push_back(span.interval());
    return IntervalSet(std::move(spans)).Minus(timeline.voided);
  }();
  for (const ConditionSpan& span : timeline.conditions) {
    met[Name(span)] = true;
    if (span.inferred) met["down out of sight"] = true;
    const bool unseen = !IntervalSet{span.interval}.Minus(observed).empty();
    const bool withheld = span.condition == Condition::kWithheld;
    if (withheld && unseen && !Occupied(timeline.history, span.interval)) met["closed out of sight"] = true;
    if (!Occupied(timeline.history, span.interval)) continue;
    if (span.condition == Condition::kDown) met["occupied, found down"] = true;
    if (span.condition == Condition::kDown && span.inferred) met["occupied, found down, out of sight"] = true;
    if (withheld) met["occupied, found up"] = true;
    if (withheld && unseen) met["occupied, found up, out of sight"] = true;
    if (withheld && span.withheld_external) met["occupied, found up, external"] = true;
  }
  for (const Outage& outage : timeline.outages) {
    met["outage"] = true;
    if (!outage.consequential.empty()) met["outage of several faults"] = true;
    if (outage.began_unobserved) met["outage that began unobserved"] = true;
    if (outage.restoration_censored) met["outage censored"] = true;
    if (outage.interval.end == absl::InfiniteFuture()) met["outage open"] = true;
    if (outage.found_at_opening) met["outage found at opening"] = true;
    if (!outage.order_observed) met["outage without order"] = true;
    if (!outage.begins_failure) met["outage of the same failure"] = true;
  }
  return met;
}

TEST(ScenarioCoverageProperty, EveryConditionAndKindOfOutageIsMet) {
  std::vector<std::string> expected = {
      "condition 1", "condition 2", "condition 3 origin 1", "condition 3 origin 3", "condition 3 origin 4",
      "condition 4 reason 0 external", "condition 5 kind 1", "condition 5 kind 2", "down out of sight",
      "closed out of sight", "occupied, found down", "occupied, found down, out of sight", "occupied, found up",
      "occupied, found up, out of sight", "occupied, found up, external", "outage", "outage of several faults",
      "outage that began unobserved", "outage censored", "outage open", "outage found at opening",
      "outage without order", "outage of the same failure"};
  for (int reason = 0; reason <= 5; ++reason) expected.push_back(absl::StrCat("condition 4 reason ", reason));
  Met met(expected);
  CheckProperty(kScenarios, [&] {
    const Scenario scenario = *ArbitraryScenario();
    const Grid grid = GridOf(scenario);
    const Calendar calendar = CalendarOf(scenario, scenario.calendar);
    met.Add(ComputedFrom(MachineTimeline(HistoryOf(ScriptOf(scenario)), calendar, ExtentOf(grid), false)));
  });
  met.ExpectEnough();
}

}  // namespace
}  // namespace bayward::naive
