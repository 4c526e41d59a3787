// Random histories for the property tests: a small world in which faults, closures and washes happen, and an
// agent that records what it sees of them, is blind for a while, restarts, or loses events. Shrinking drops
// and simplifies steps. Generators only; not thread-safe.
#pragma once

#include <iosfwd>
#include <string>
#include <vector>

#include "rapidcheck.h"
#include "server/model/calendar.h"
#include "tests/property/naive_calendar.h"
#include "tests/property/naive_model.h"

namespace bayward::naive {

enum class Op : int {
  kRaise = 0,
  kClear,
  kMode,
  kCycleStart,
  kCycleFinish,
  kLoseSight,  // the source goes silent
  kSee,        // ends whatever keeps the agent from seeing
  kCrash,      // the agent dies; kSee starts it anew
  kSnapshot,   // in sight
  kMissOne,    // a fault comes or goes without an event
  kClockStep,
  kDataMissing,  // what follows, up to kSee, is dropped
  kReject,
  kHandOver,  // another agent is assigned; kSee starts it
};

struct Step {
  Op op = Op::kRaise;
  int gap = 0;  // minutes since the step before
  int a = 0;
  int b = 0;
  int c = 0;
};

struct HoursSeed {
  std::vector<std::pair<int, int>> days[kDayKinds];  // open minute, length
};

struct ClosureSeed {
  int from = 0;  // minutes after the grid's first local midnight
  int length = 0;
  int recorded = 0;  // minutes relative to its start
  bool approved = false;
};

struct CalendarSeed {
  HoursSeed first;
  HoursSeed second;  // from the day `change_day`
  int change_day = 9;
  int holiday = 9;       // day of the window; 9: none
  int in_service = 0;    // first day in service; 0: always
  int retired = 9;       // day retired; 9: never
  int new_zone_day = 9;  // the site moves to New York's zone; 9: never
  std::vector<ClosureSeed> closures;
};

struct Scenario {
  int place = 0;  // which zone and transition
  int first_seen = 0;
  std::vector<Step> steps;
  int tail = 0;  // minutes after the last step
  bool heard_to_end = true;
  bool delivery_expected = true;
  CalendarSeed calendar;
};

inline constexpr int kPlaceCount = 9;

// At least `min` and less than `below`; as likely each number of the range in a small case as in a large one.
int Any(int min, int below);
rc::Gen<Scenario> ArbitraryScenario();
rc::Gen<CalendarSeed> ArbitraryCalendar();

// Three days around the scenario's transition, in whole minutes; its end is now.
Grid GridOf(const Scenario& scenario);
Script ScriptOf(const Scenario& scenario);
Calendar CalendarOf(const Scenario& scenario, const CalendarSeed& seed);

// One line per event and per calendar row.
std::string Describe(const MachineEvent& event, const Grid& grid);
std::string Describe(const Script& script, const Grid& grid);
std::string Describe(const Calendar& calendar);
std::string TickName(const Grid& grid, int tick);
void showValue(const Scenario& scenario, std::ostream& out);
void showValue(const CalendarSeed& seed, std::ostream& out);

}  // namespace bayward::naive
