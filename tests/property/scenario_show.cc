#include <sstream>
#include <string>
#include <variant>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "tests/property/scenario.h"

namespace bayward::naive {
namespace {

std::string Name(Effect effect) {
  return effect == Effect::kBlocking ? "blocking" : effect == Effect::kDegrading ? "degrading" : "advisory";
}
std::string Name(Origin origin) {
  static const char* const kNames[] = {"?", "internal", "external", "user", "people"};
  return kNames[static_cast<int>(origin)];
}
std::string Name(Mode mode, ModeReason reason) {
  if (mode == Mode::kInService) return "in service";
  const std::string name = mode == Mode::kClosed ? "closed" : "occupied";
  return absl::StrCat(name, reason == ModeReason::kUpkeep  ? " (upkeep)"
                            : reason == ModeReason::kFrost ? " (frost)"
                                                           : "");
}
std::string Name(const FaultFact& fault) {
  return absl::StrCat("fault ", fault.fault_class, " ", Name(fault.effect), " ", Name(fault.origin),
                      fault.priority ? absl::StrCat(" priority ", fault.priority) : "");
}

struct FactName {
  const Grid& grid;
  std::string At(absl::Time t) const { return TickName(grid, grid.TickOf(t)); }

  std::string operator()(const ObservationStartedFact&) const { return "observation started"; }
  std::string operator()(const ObservationLostFact& f) const { return "observation lost from " + At(f.from); }
  std::string operator()(const FaultRaisedFact& f) const { return "raised " + Name(f.fault); }
  std::string operator()(const FaultClearedFact& f) const {
    return absl::StrCat("cleared fault ", f.fault_class);
  }
  std::string operator()(const CycleStartedFact& f) const { return "cycle started " + f.cycle; }
  std::string operator()(const CycleFinishedFact& f) const {
    const bool completed = f.cycle.outcome == CycleOutcome::kCompleted;
    return absl::StrCat("cycle finished ", f.cycle.cycle, completed ? " completed" : " not completed");
  }
  std::string operator()(const ModeChangedFact& f) const { return "mode " + Name(f.mode, f.reason); }
  std::string operator()(const SnapshotFact& f) const {
    std::string faults;
    for (const FaultFact& fault : f.faults) absl::StrAppend(&faults, "; ", Name(fault));
    return absl::StrCat("snapshot: ", Name(f.mode, f.reason), faults);
  }
  std::string operator()(const ClockSteppedFact& f) const {
    return absl::StrCat("clock stepped ", At(f.from), " -> ", At(f.to));
  }
  std::string operator()(const DataMissingFact& f) const {
    return absl::StrCat("data missing [", At(f.stretch.start), ", ", At(f.stretch.end), ")");
  }
  std::string operator()(const RejectedFact&) const { return "rejected event"; }
};

std::string Minutes(int minute) {
  return absl::StrCat(minute / 60, ":", minute % 60 < 10 ? "0" : "", minute % 60);
}

}  // namespace

std::string TickName(const Grid& grid, int tick) {
  if (tick >= kNever) return "never";
  if (tick <= -kNever) return "always";
  return absl::StrCat("m", tick, absl::FormatTime(" (%d %H:%MZ)", grid.TimeOf(tick), absl::UTCTimeZone()));
}

std::string Describe(const MachineEvent& event, const Grid& grid) {
  return absl::StrCat("#", event.ref.epoch.value, ".", event.ref.sequence, " ",
                      TickName(grid, grid.TickOf(event.effective_at)), "  ",
                      std::visit(FactName{grid}, event.what));
}

std::string Describe(const Script& script, const Grid& grid) {
  std::string text;
  for (std::size_t i = 0; i <= script.events.size(); ++i) {
    for (const HandOver& hand_over : script.hand_overs) {
      if (hand_over.event == i)
        absl::StrAppend(&text, "hand-over at ", TickName(grid, grid.TickOf(hand_over.at)), "\n");
    }
    if (i < script.events.size()) absl::StrAppend(&text, Describe(script.events[i].event, grid), "\n");
  }
  absl::StrAppend(&text, "observed until ", TickName(grid, grid.TickOf(script.observed_until)),
                  script.delivery_expected ? "" : ", nothing more expected", "\n");
  for (const Settlement& settlement : script.settlements) {
    absl::StrAppend(&text, "settled [", TickName(grid, grid.TickOf(settlement.interval.start)), ", ",
                    TickName(grid, grid.TickOf(settlement.interval.end)), ") as ",
                    static_cast<int>(settlement.as), "\n");
  }
  return text;
}

std::string Describe(const Calendar& calendar) {
  std::string text;
  for (const ZoneSpan& zone : calendar.zones)
    absl::StrAppend(&text, "zone ", zone.name, " from ", absl::FormatCivilTime(zone.valid_from), "\n");
  for (const WeekHours& week : calendar.hours) {
    const std::string from =
        week.valid_from == absl::CivilDay::min() ? "always" : absl::FormatCivilTime(week.valid_from);
    absl::StrAppend(&text, "hours from ", from, ":");
    for (std::size_t i = 0; i < week.days.size(); ++i) {
      absl::StrAppend(&text, " ", i < 7 ? absl::StrCat("day", i) : "holiday", "=");
      for (const DayHours& hours : week.days[i])
        absl::StrAppend(&text, Minutes(hours.open_minute), "-", Minutes(hours.close_minute), ",");
    }
    absl::StrAppend(&text, "\n");
  }
  for (const absl::CivilDay& day : calendar.holidays)
    absl::StrAppend(&text, "holiday ", absl::FormatCivilTime(day), "\n");
  for (const Closure& closure : calendar.closures) {
    absl::StrAppend(&text, "closure ", absl::FormatCivilTime(closure.from), " to ",
                    absl::FormatCivilTime(closure.to), " recorded ",
                    absl::FormatTime(closure.recorded_at, absl::UTCTimeZone()),
                    closure.approved ? " approved" : "", "\n");
  }
  if (calendar.in_service_from != absl::CivilDay::min())
    absl::StrAppend(&text, "in service from ", absl::FormatCivilTime(calendar.in_service_from), "\n");
  if (calendar.retired_at != absl::CivilDay::max())
    absl::StrAppend(&text, "retired at ", absl::FormatCivilTime(calendar.retired_at), "\n");
  return text;
}

void showValue(const Scenario& scenario, std::ostream& out) {
  const Grid grid = GridOf(scenario);
  out << "\n"
      << Describe(CalendarOf(scenario, scenario.calendar)) << "m0 is "
      << absl::FormatTime(grid.start, absl::UTCTimeZone()) << "\n"
      << Describe(ScriptOf(scenario), grid);
}

void showValue(const CalendarSeed& seed, std::ostream& out) {
  Scenario somewhere;
  out << "\n(as it would be in UTC)\n" << Describe(CalendarOf(somewhere, seed));
}

}  // namespace bayward::naive
