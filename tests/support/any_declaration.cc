#include "tests/support/any_declaration.h"

#include <algorithm>
#include <set>
#include <string>
#include <vector>

#include "rapidcheck.h"

namespace bayward::testing {
namespace {

int InRange(int least, int below) { return *rc::gen::inRange(least, below); }

template <class T>
T OneOf(const std::vector<T>& values) {
  return *rc::gen::elementOf(values);
}

std::string Name() {
  return OneOf<std::string>(
      {"Bay", "a \"quoted\" name", "back\\slash", "Käytävä", "a # b = [c]", " blank ", "'"});
}

// Distinct days, ascending.
std::vector<absl::CivilDay> Days(int most) {
  std::set<absl::CivilDay> days;
  for (int i = InRange(0, most + 1); i > 0; --i) days.insert(absl::CivilDay(1970, 1, 1) + InRange(0, 84000));
  return {days.begin(), days.end()};
}

std::vector<WeekHours> Weeks(int least) {
  std::vector<WeekHours> weeks;
  std::vector<absl::CivilDay> days = Days(3);
  if (days.empty() && least > 0) days.push_back(absl::CivilDay(2026, 1, 1));
  for (std::size_t i = 0; i < days.size(); ++i) {
    WeekHours week;
    week.valid_from = days[i];
    if (i + 1 < days.size()) week.valid_to = days[i + 1];
    // Some end before the next begin.
    if (InRange(0, 3) == 0) week.valid_to = std::min(week.valid_to, week.valid_from + InRange(1, 400));
    for (auto& day : week.days) {
      const int shape = InRange(0, 4);
      if (shape == 0) continue;
      const int first = InRange(6 * 60, 12 * 60);
      if (shape == 1) day = {{first, InRange(first + 1, 1440 + 6 * 60)}};
      if (shape == 2)
        day = {{first, InRange(first + 1, 13 * 60)}, {InRange(13 * 60, 14 * 60), InRange(14 * 60 + 1, 1441)}};
      if (shape == 3) day = {{first, 1440}};
    }
    weeks.push_back(week);
  }
  return weeks;
}

absl::Time Instant() {
  return absl::FromUnixMicros(*rc::gen::inRange<std::int64_t>(0, 4'000'000'000'000'000));
}

DeclaredMachine Machine(const std::string& key, const DeclaredSite& site) {
  DeclaredMachine machine;
  machine.key = key;
  machine.name = Name();
  machine.kind = OneOf<std::string>({"gantry", "spray_gantry", "air-2"});
  machine.in_service_from = absl::CivilDay(1970, 1, 1) + InRange(0, 40000);
  const bool retired = InRange(0, 3) == 0;
  if (retired) machine.retired_at = machine.in_service_from + InRange(1, 9000);
  if (!retired || InRange(0, 2) == 0) machine.agent = OneOf(site.agents);
  if (!machine.agent.empty()) machine.assigned_from = InRange(0, 2) == 0 ? absl::InfinitePast() : Instant();
  if (InRange(0, 4) == 0) machine.predecessor = "elsewhere/" + site.key + "-" + key;
  // On what comes before it only, so never in a circle.
  for (const DeclaredMachine& other : site.machines) {
    if (InRange(0, 3) == 0) machine.depends_on.push_back(other.key);
  }
  machine.hours = Weeks(0);
  return machine;
}

DeclaredSite Site(const std::string& key) {
  DeclaredSite site;
  site.key = key;
  site.name = Name();
  site.region = Name();
  site.currency = OneOf<std::string>({"EUR", "USD"});
  site.latitude = InRange(-9000, 9001) / 100.0;
  site.longitude = InRange(-180, 181) + InRange(0, 2) * 1e-7;
  site.longitude = std::min(site.longitude, 180.0);
  site.attendance = OneOf<std::string>({"attended", "unattended"});
  site.zones.push_back({absl::CivilDay::min(), OneOf<std::string>({"UTC", "Europe/Helsinki"})});
  for (const absl::CivilDay day : Days(2)) site.zones.push_back({day, "Australia/Lord_Howe"});
  for (int i = InRange(1, 4); i > 0; --i)
    site.agents.insert(site.agents.begin(), key + "-box-" + std::to_string(i));
  site.hours = Weeks(1);
  site.holidays = Days(4);
  for (const absl::CivilDay day : Days(3)) {
    DeclaredClosure closure{absl::CivilSecond(day) + InRange(0, 86400), absl::CivilSecond::max(), Name(),
                            InRange(0, 2) == 0, Instant()};
    if (InRange(0, 3) > 0 && day.year() < 2199) closure.to = closure.from + InRange(1, 400000);
    site.closures.push_back(closure);
  }
  for (const char* programme : {"a \"quoted\" one", "full", "short"}) {
    DeclaredProgramme declared{programme, {}};
    for (std::int32_t need = 1; need <= 9; ++need) {
      if (InRange(0, 3) == 0) declared.needs.push_back(need);
    }
    if (!declared.needs.empty()) site.programmes.push_back(declared);
  }
  for (const char* programme : {"full", "short"}) {
    for (const absl::CivilDay day : Days(2)) site.prices.push_back({programme, day, InRange(0, 1'000'000)});
  }
  for (const absl::CivilDay day : Days(2)) site.targets.push_back({day, InRange(0, 1001) / 1000.0});
  for (int i = 0, count = InRange(0, 4); i < count; ++i)
    site.machines.push_back(Machine("m-" + std::to_string(i), site));
  return site;
}

}  // namespace

Declaration AnyDeclaration() {
  Declaration declaration;
  declaration.demonstration = InRange(0, 2) == 0;
  for (int i = 0, count = InRange(0, 4); i < count; ++i)
    declaration.sites.push_back(Site("site-" + std::to_string(i)));
  return declaration;
}

}  // namespace bayward::testing
