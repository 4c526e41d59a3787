#include <algorithm>
#include <span>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "server/timeline/required_time.h"
#include "tests/property/harness.h"

namespace bayward::naive {
namespace {

constexpr int kLinesMax = 8;

// Collects lines, the first few of them.
class Differences {
 public:
  void Add(const std::string& line) {
    if (++count_ <= kLinesMax) absl::StrAppend(&text_, line, "\n");
  }
  template <class T>
  void Expect(const std::string& what, const T& model, const T& code) {
    if (model != code) Add(absl::StrCat(what, ": model ", model, ", code ", code));
  }
  std::string Text() const {
    return count_ > kLinesMax ? absl::StrCat(text_, "and ", count_ - kLinesMax, " more\n") : text_;
  }

 private:
  int count_ = 0;
  std::string text_;
};

// What one minute is said to be.
struct Said {
  Condition condition = Condition::kNotRequired;
  UnknownKind unknown = UnknownKind::kNone;
  int origin = 0;  // of down time that nobody settled
  bool inferred = false;
  bool settled = false;
  bool external = false;  // of withheld time
  ModeReason reason = ModeReason::kNone;
  bool operator==(const Said&) const = default;
};

std::string Name(const Said& said) {
  static const char* const kNames[] = {"?", "up", "degraded", "down", "withheld", "unknown", "not required"};
  std::string name = kNames[static_cast<int>(said.condition)];
  if (said.unknown == UnknownKind::kPending) name += " pending";
  if (said.unknown == UnknownKind::kLost) name += " lost";
  if (said.origin != 0) absl::StrAppend(&name, " origin ", said.origin);
  if (said.inferred) name += " inferred";
  if (said.external) name += " external";
  if (said.reason != ModeReason::kNone) absl::StrAppend(&name, " reason ", static_cast<int>(said.reason));
  if (said.settled) name += " settled";
  return name;
}

Said SaidBy(const Model& model, int tick) {
  const Minute& minute = model.minutes[static_cast<std::size_t>(tick)];
  Said said;
  if (!minute.required) return said;
  said = {minute.condition,         minute.unknown,        0, minute.inferred, minute.settled,
          minute.withheld_external, minute.withheld_reason};
  for (const NaiveOutage& outage : model.outages) {
    if (outage.id == minute.outage) said.origin = static_cast<int>(outage.origin);
  }
  return said;
}

Said SaidBy(const ConditionSpan& span) {
  const bool down = span.condition == Condition::kDown;
  const bool withheld = span.condition == Condition::kWithheld;
  return {span.condition,
          span.unknown,
          down && !span.settled ? static_cast<int>(span.down_origin) : 0,
          down && span.inferred,
          span.settled,
          withheld && span.withheld_external,
          withheld ? span.withheld_reason : ModeReason::kNone};
}

// Which ticks of the grid a set covers; complains where a border lies between two.
std::vector<bool> Ticks(const IntervalSet& set, const Grid& grid, const std::string& what,
                        Differences& differences) {
  std::vector<bool> ticks(static_cast<std::size_t>(grid.ticks), false);
  for (const Interval& interval : set.intervals()) {
    for (const absl::Time border : {interval.start, interval.end}) {
      if (grid.TimeOf(grid.TickOf(border)) != border)
        differences.Add(what + " does not begin or end on a minute");
    }
    for (int tick = grid.TickOf(interval.start); tick < grid.TickOf(interval.end); ++tick) {
      if (tick < 0 || tick >= grid.ticks) {
        differences.Add(what + " reaches out of the window");
        return ticks;
      }
      ticks[static_cast<std::size_t>(tick)] = true;
    }
  }
  return ticks;
}

// The stretches in which two lists differ.
template <class T, class Namer>
void CompareTicks(const Grid& grid, const std::vector<T>& model, const std::vector<T>& code, Namer name,
                  Differences& differences) {
  std::size_t from = 0;
  while (from < model.size()) {
    std::size_t to = from + 1;
    while (to < model.size() && model[to] == model[from] && code[to] == code[from]) ++to;
    if (!(model[from] == code[from])) {
      differences.Add(absl::StrCat("[", TickName(grid, static_cast<int>(from)), ", ",
                                   TickName(grid, static_cast<int>(to)), "): model ", name(model[from]),
                                   ", code ", name(code[from])));
    }
    from = to;
  }
}

std::string Classes(const std::vector<FaultClassNumber>& classes) {
  return absl::StrCat("[", absl::StrJoin(classes, " "), "]");
}

std::string Name(const NaiveOutage& o, const Grid& grid) {
  return absl::StrCat("[", TickName(grid, o.start), ", ", TickName(grid, o.end), ") raised ",
                      TickName(grid, o.raised),
                      o.order_observed ? absl::StrCat(" class ", o.fault_class) : " order not observed",
                      o.order_observed ? absl::StrCat(" then ", Classes(o.consequential)) : "",
                      o.began_unobserved ? " unobserved" : "", o.censored ? " censored" : "",
                      o.found_at_opening ? " found at opening" : "", o.begins_failure ? "" : " same failure",
                      " down ", o.down);
}

std::string Name(const Outage& o, const Grid& grid) {
  std::vector<FaultClassNumber> consequential;
  for (const Spell* spell : o.consequential) consequential.push_back(spell->fault_class);
  return absl::StrCat(
      "[", TickName(grid, grid.TickOf(o.interval.start)), ", ", TickName(grid, grid.TickOf(o.interval.end)),
      ") raised ", TickName(grid, grid.TickOf(o.raised_at)),
      o.order_observed ? absl::StrCat(" class ", o.first_out->fault_class) : " order not observed",
      o.order_observed ? absl::StrCat(" then ", Classes(consequential)) : "",
      o.began_unobserved ? " unobserved" : "", o.restoration_censored ? " censored" : "",
      o.found_at_opening ? " found at opening" : "", o.begins_failure ? "" : " same failure", " down ",
      absl::ToInt64Minutes(o.down));
}

}  // namespace

std::string CompareOpening(const Calendar& calendar, const Grid& grid) {
  Differences differences;
  const Opening model = ReadCalendar(calendar, grid);
  const auto required = Ticks(RequiredTime(calendar, ExtentOf(grid)), grid, "required time", differences);
  const auto excluded = Ticks(ExcludedTime(calendar, ExtentOf(grid)), grid, "excluded time", differences);
  CompareTicks(
      grid, model.required, required, [](bool yes) { return yes ? "required" : "not required"; },
      differences);
  CompareTicks(
      grid, model.excluded, excluded, [](bool yes) { return yes ? "excluded" : "not excluded"; },
      differences);
  return differences.Text();
}

std::string CompareConditions(const Model& model, const MachineTimeline& timeline) {
  Differences differences;
  const Grid& grid = model.grid;
  std::vector<Said> expected;
  for (int tick = 0; tick < grid.ticks; ++tick) expected.push_back(SaidBy(model, tick));
  std::vector<Said> found(expected.size());
  absl::Time last = absl::InfinitePast();
  for (const ConditionSpan& span : timeline.conditions) {
    if (span.interval.empty() || span.interval.start < last)
      differences.Add("spans empty, overlapping or unsorted");
    last = span.interval.end;
    for (int tick = std::max(0, grid.TickOf(span.interval.start));
         tick < std::min(grid.ticks, grid.TickOf(span.interval.end)); ++tick)
      found[static_cast<std::size_t>(tick)] = SaidBy(span);
  }
  CompareTicks(
      grid, expected, found, [](const Said& said) { return Name(said); }, differences);
  return differences.Text();
}

std::string CompareOutages(const Model& model, const MachineTimeline& timeline) {
  Differences differences;
  const std::size_t most = std::max(model.outages.size(), timeline.outages.size());
  for (std::size_t i = 0; i < most; ++i) {
    const std::string expected = i < model.outages.size() ? Name(model.outages[i], model.grid) : "none";
    const std::string found = i < timeline.outages.size() ? Name(timeline.outages[i], model.grid) : "none";
    if (expected != found)
      differences.Add(absl::StrCat("outage ", i, "\n  model ", expected, "\n  code  ", found));
  }
  return differences.Text();
}

Sums SumsOf(const TimeAccount& a) {
  const auto minutes = [](absl::Duration d) { return static_cast<long>(absl::ToInt64Minutes(d)); };
  Sums sums = {{"required", minutes(a.required)},
               {"up", minutes(a.up)},
               {"degraded", minutes(a.degraded)},
               {"down", minutes(a.down)},
               {"withheld", minutes(a.withheld)},
               {"withheld_upkeep", minutes(a.withheld_upkeep)},
               {"unknown_pending", minutes(a.unknown_pending)},
               {"unknown_lost", minutes(a.unknown_lost)},
               {"excluded", minutes(a.excluded)},
               {"inferred", minutes(a.inferred)},
               {"settled", minutes(a.settled())},
               {"outages", a.outages},
               {"failures", a.failures},
               {"failures_unobserved", a.failures_unobserved},
               {"found_at_opening", a.found_at_opening},
               {"user_outages", a.user_outages},
               {"people_outages", a.people_outages},
               {"restored", a.restored},
               {"restored_down", minutes(a.restored_down)},
               {"cycles_completed", a.cycles_completed},
               {"cycles_aborted", a.cycles_aborted},
               {"contradictory_cycles", a.contradictory_cycles},
               {"provisional", a.provisional ? 1 : 0}};
  for (std::size_t origin = 0; origin < 5; ++origin)
    sums[absl::StrCat("down_by_origin_", origin)] = minutes(a.down_by_origin[origin]);
  std::erase_if(sums, [](const auto& entry) { return entry.second == 0; });
  return sums;
}

std::string CompareAccount(const Model& model, const MachineTimeline& timeline, int from, int to) {
  Differences differences;
  Sums expected = AccountOf(model, from, to);
  Sums found = SumsOf(ComputeAccount(timeline, {model.grid.TimeOf(from), model.grid.TimeOf(to)}));
  for (const auto& [name, value] : found) expected.try_emplace(name, 0);
  for (const auto& [name, value] : expected) differences.Expect(name, value, found[name]);
  return differences.Text();
}

std::string CompareRanking(const Model& model, const MachineTimeline& timeline, int from, int to) {
  Differences differences;
  const auto expected = RankingOf(model, from, to);
  const MachineTimeline* const machines[] = {&timeline};
  const Interval window{model.grid.TimeOf(from), model.grid.TimeOf(to)};
  std::map<FaultClassNumber, Columns> found;
  for (const RankingRow& row : RankFaults(std::span(machines), window, RankBy::kFirstOut)) {
    const auto minutes = [](absl::Duration d) { return static_cast<long>(absl::ToInt64Minutes(d)); };
    found[row.fault_class] = {minutes(row.first_out), minutes(row.alone), minutes(row.present), row.outages,
                              row.failures};
  }
  const auto name = [](const std::map<FaultClassNumber, Columns>& rows, FaultClassNumber fault_class) {
    const auto row = rows.find(fault_class);
    if (row == rows.end()) return std::string("no row");
    const Columns& c = row->second;
    return absl::StrCat("first-out ", c.first_out, " alone ", c.alone, " present ", c.present, " outages ",
                        c.outages, " failures ", c.failures);
  };
  for (FaultClassNumber fault_class = kSettledAsDown; fault_class <= 7; ++fault_class)
    differences.Expect(absl::StrCat("class ", fault_class), name(expected, fault_class),
                       name(found, fault_class));
  return differences.Text();
}

}  // namespace bayward::naive
