#include "server/registry/site_reader.h"

#include <algorithm>
#include <map>
#include <set>
#include <string>
#include <tuple>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/capabilities.h"
#include "server/registry/hours_reader.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

// Finds what is stated twice.
template <class Key>
class Once {
 public:
  // False, with a fault at `key` of `table`, where `value` was there before.
  bool Add(const Key& value, DeclarationTable& table, std::string_view key, const std::string& what) {
    const auto [found, added] = lines_.try_emplace(value, table.Line(key));
    if (!added) table.Fault(key, fmt::format("{} is stated twice, also in line {}", what, found->second));
    return added;
  }

 private:
  std::map<Key, int> lines_;
};

template <class T, class KeyOf>
void SortBy(std::vector<T>& rows, KeyOf key_of) {
  std::sort(rows.begin(), rows.end(), [&](const T& a, const T& b) { return key_of(a) < key_of(b); });
}

class SiteReader {
 public:
  explicit SiteReader(DeclarationTable& table) : table_(table) {}

  DeclaredSite Read() {
    site_.where = table_.Where();
    site_.key = table_.Required("key", kKeyFormat);
    if (!site_.key.empty()) table_.set_what("site " + site_.key);
    site_.name = table_.Required("name", kPlainTextFormat);
    site_.region = table_.Required("region", kPlainTextFormat);
    site_.currency = table_.Required("currency", kCurrencyFormat);
    site_.latitude = table_.Number("latitude", -90, 90);
    site_.longitude = table_.Number("longitude", -180, 180);
    site_.attendance = table_.Required("attendance", kAttendanceFormat);
    Zones();
    Agents();
    site_.hours = ReadHours(table_, "[[site.hours]]", site_.key);
    Holidays();
    Closures();
    Programmes();
    Prices();
    Targets();
    Machines();
    table_.RefuseUnknown();
    return std::move(site_);
  }

 private:
  std::vector<DeclarationTable> Tables(std::string_view key) {
    return table_.Tables(key, fmt::format("[[site.{}]]", key));
  }

  void Zones() {
    site_.zones.push_back({absl::CivilDay::min(), table_.Required("time_zone", kZoneFormat)});
    Once<absl::CivilDay> once;
    for (DeclarationTable& table : Tables("zone")) {
      DeclaredZone zone;
      zone.valid_from = table.Required("valid_from", kDayFormat);
      zone.name = table.Required("name", kZoneFormat);
      table.RefuseUnknown();
      const std::string what = fmt::format("the zone of {} from {}", site_.key, FormatDay(zone.valid_from));
      if (once.Add(zone.valid_from, table, "valid_from", what)) site_.zones.push_back(zone);
    }
    SortBy(site_.zones, [](const DeclaredZone& z) { return z.valid_from; });
  }

  void Agents() {
    Once<std::string> once;
    for (DeclarationTable& table : Tables("agent")) {
      const std::string key = table.Required("key", kKeyFormat);
      table.RefuseUnknown();
      if (!key.empty() && once.Add(key, table, "key", "agent " + key)) site_.agents.push_back(key);
    }
    std::sort(site_.agents.begin(), site_.agents.end());
  }

  void Holidays() {
    site_.holidays = table_.List("holidays", kDayFormat);
    std::sort(site_.holidays.begin(), site_.holidays.end());
    const auto twice = std::adjacent_find(site_.holidays.begin(), site_.holidays.end());
    if (twice != site_.holidays.end()) {
      table_.Fault("holidays",
                   fmt::format("holidays of {}: {} is stated twice", site_.key, FormatDay(*twice)));
    }
  }

  void Closures() {
    Once<absl::CivilSecond> once;
    for (DeclarationTable& table : Tables("closure")) {
      DeclaredClosure closure;
      closure.from = table.Required("from", kCivilFormat);
      table.set_what(fmt::format("closure of {} from {}", site_.key, FormatCivil(closure.from)));
      closure.to = table.Optional("to", kCivilFormat).value_or(absl::CivilSecond::max());
      if (closure.to <= closure.from) {
        table.Fault("to", fmt::format("{}: it ends at {}, and must end after it begins", table.what(),
                                      FormatCivil(closure.to)));
      }
      closure.reason = table.Required("reason", kPlainTextFormat);
      closure.approved = table.Flag("approved").value_or(false);
      closure.recorded_at = table.Optional("recorded_at", kInstantFormat);
      CheckAnnounced(table, closure);
      table.RefuseUnknown();
      if (once.Add(closure.from, table, "from", table.what())) site_.closures.push_back(closure);
    }
    SortBy(site_.closures, [](const DeclaredClosure& c) { return c.from; });
  }

  // `announced` says no more than recorded_at does; it is taken so that a file can be read without reckoning.
  void CheckAnnounced(DeclarationTable& table, const DeclaredClosure& closure) {
    const std::optional<bool> announced = table.Flag("announced");
    if (!announced || !table.Has("from")) return;
    if (!closure.recorded_at) {
      if (table.Has("recorded_at")) return;
      table.Fault("announced",
                  fmt::format("{}: announced follows from recorded_at; state that, or leave both out: "
                              "the closure is then announced when it is applied",
                              table.what()));
      return;
    }
    Calendar calendar;
    for (const DeclaredZone& zone : site_.zones) {
      calendar.zones.push_back({zone.valid_from, zone.name, {}});
      absl::LoadTimeZone(zone.name, &calendar.zones.back().zone);
    }
    const absl::Time from = OpensAt(calendar, closure.from);
    if (*announced == (*closure.recorded_at <= from)) return;
    table.Fault("announced",
                fmt::format("{}: announced = {}, but it was recorded at {} and begins at {}", table.what(),
                            *announced, FormatInstant(*closure.recorded_at), FormatInstant(from)));
  }

  void Programmes() {
    Once<std::string> once;
    for (DeclarationTable& table : Tables("programme")) {
      DeclaredProgramme programme;
      programme.programme = table.Required("programme", kPlainTextFormat);
      table.set_what(fmt::format("programme \"{}\" of {}", programme.programme, site_.key));
      programme.needs = table.List("needs", kCapabilityFormat);
      CheckNeeds(table, programme.needs);
      table.RefuseUnknown();
      if (!programme.programme.empty() && once.Add(programme.programme, table, "programme", table.what())) {
        site_.programmes.push_back(std::move(programme));
      }
    }
    SortBy(site_.programmes, [](const DeclaredProgramme& p) { return p.programme; });
  }

  // Sorts them. Entries at fault are missing here and were told already.
  void CheckNeeds(DeclarationTable& table, std::vector<std::int32_t>& needs) {
    if (!table.Has("needs")) {
      table.Fault("", fmt::format("{} has no \"needs\": expected an array, of {}", table.what(),
                                  kCapabilityFormat.expected));
    } else if (table.IsEmptyArray("needs")) {
      table.Fault("needs", fmt::format("needs of {}: expected at least one, such as \"wash\", found none",
                                       table.what()));
    }
    std::sort(needs.begin(), needs.end());
    const auto twice = std::adjacent_find(needs.begin(), needs.end());
    if (twice == needs.end()) return;
    table.Fault("needs", fmt::format("{}: needs names \"{}\" twice", table.what(), CapabilityName(*twice)));
  }

  void Prices() {
    const auto key_of = [](const DeclaredPrice& p) { return std::tie(p.programme, p.valid_from); };
    Once<std::tuple<std::string, absl::CivilDay>> once;
    for (DeclarationTable& table : Tables("price")) {
      DeclaredPrice price;
      price.programme = table.Required("programme", kPlainTextFormat);
      price.valid_from = table.Required("valid_from", kDayFormat);
      price.price_e4 = table.Required("price", kPriceFormat);
      table.RefuseUnknown();
      const std::string what = fmt::format("the price of \"{}\" at {} from {}", price.programme, site_.key,
                                           FormatDay(price.valid_from));
      if (once.Add(key_of(price), table, "valid_from", what)) site_.prices.push_back(price);
    }
    SortBy(site_.prices, key_of);
  }

  void Targets() {
    Once<absl::CivilDay> once;
    for (DeclarationTable& table : Tables("target")) {
      DeclaredTarget target;
      target.valid_from = table.Required("valid_from", kDayFormat);
      target.availability = table.Number("availability", 0, 1);
      table.RefuseUnknown();
      const std::string what =
          fmt::format("the target of {} from {}", site_.key, FormatDay(target.valid_from));
      if (once.Add(target.valid_from, table, "valid_from", what)) site_.targets.push_back(target);
    }
    SortBy(site_.targets, [](const DeclaredTarget& t) { return t.valid_from; });
  }

  void Machines() {
    Once<std::string> once;
    std::vector<DeclarationTable> tables = Tables("machine");
    std::map<std::string, DeclarationTable*> table_of;
    for (DeclarationTable& table : tables) {
      DeclaredMachine machine = ReadMachine(table);
      if (machine.key.empty() || !once.Add(machine.key, table, "key", table.what())) continue;
      table_of[machine.key] = &table;
      site_.machines.push_back(std::move(machine));
    }
    SortBy(site_.machines, [](const DeclaredMachine& m) { return m.key; });
    for (const DeclaredMachine& machine : site_.machines) CheckReferences(machine, *table_of[machine.key]);
    CheckCycles(table_of);
    CheckHours();
  }

  DeclaredMachine ReadMachine(DeclarationTable& table) {
    DeclaredMachine machine;
    machine.where = table.Where();
    machine.key = table.Required("key", kKeyFormat);
    const std::string full_name = site_.key + "/" + machine.key;
    if (!machine.key.empty()) table.set_what("machine " + full_name);
    machine.name = table.Required("name", kPlainTextFormat);
    machine.kind = table.Required("kind", kKindFormat);
    machine.depends_on = table.List("depends_on", kKeyFormat);
    std::sort(machine.depends_on.begin(), machine.depends_on.end());
    machine.in_service_from = table.Required("in_service_from", kDayFormat);
    const auto retired_at = table.Optional("retired_at", kDayFormat);
    machine.retired_at = retired_at.value_or(absl::CivilDay::max());
    if (machine.retired_at <= machine.in_service_from) {
      table.Fault("retired_at",
                  fmt::format("{}: retired_at {} must come after in_service_from {}", table.what(),
                              FormatDay(machine.retired_at), FormatDay(machine.in_service_from)));
    }
    machine.agent = (retired_at ? table.Optional("agent", kKeyFormat)
                                : std::optional(table.Required("agent", kKeyFormat)))
                        .value_or("");
    machine.predecessor = table.Optional("predecessor", kMachineNameFormat).value_or("");
    machine.assigned_from = table.Optional("assigned_from", kInstantFormat);
    if (machine.assigned_from && !table.Has("agent")) {
      table.Fault("assigned_from",
                  fmt::format("{}: assigned_from says since when its agent watches it, and it has "
                              "no agent",
                              table.what()));
    }
    machine.hours = ReadHours(table, "[[site.machine.hours]]", full_name);
    table.RefuseUnknown();
    return machine;
  }

  void CheckReferences(const DeclaredMachine& machine, DeclarationTable& table) {
    if (!machine.agent.empty() &&
        !std::binary_search(site_.agents.begin(), site_.agents.end(), machine.agent)) {
      table.Fault("agent", fmt::format("{}: \"{}\" is no [[site.agent]] of {}{}", table.what(), machine.agent,
                                       site_.key, DidYouMean(machine.agent, site_.agents)));
    }
    std::vector<std::string> keys;
    for (const DeclaredMachine& other : site_.machines) keys.push_back(other.key);
    for (std::size_t i = 0; i < machine.depends_on.size(); ++i) {
      const std::string& plant = machine.depends_on[i];
      if (i > 0 && plant == machine.depends_on[i - 1]) {
        table.Fault("depends_on", fmt::format("{}: depends_on names \"{}\" twice", table.what(), plant));
      } else if (!std::binary_search(keys.begin(), keys.end(), plant)) {
        table.Fault("depends_on", fmt::format("{}: it depends on \"{}\", which is no machine of {}{}",
                                              table.what(), plant, site_.key, DidYouMean(plant, keys)));
      }
    }
  }

  // A machine must not need itself, however indirectly. Each cycle is told once, at its first machine by key.
  void CheckCycles(const std::map<std::string, DeclarationTable*>& table_of) {
    std::map<std::string, const DeclaredMachine*> by_key;
    for (const DeclaredMachine& machine : site_.machines) by_key[machine.key] = &machine;
    std::set<std::string> done;
    std::vector<std::string> path;
    const auto visit = [&](const auto& self, const std::string& key) -> void {
      const auto found = by_key.find(key);
      if (found == by_key.end() || done.contains(key)) return;
      const auto begun = std::find(path.begin(), path.end(), key);
      if (begun != path.end()) {
        const std::vector<std::string> cycle(begun, path.end());
        DeclarationTable& table = *table_of.at(key);
        table.Fault("depends_on", fmt::format("{}: it depends on itself: {} -> {}", table.what(),
                                              absl::StrJoin(cycle, " -> "), key));
        return;
      }
      path.push_back(key);
      for (const std::string& plant : found->second->depends_on) self(self, plant);
      path.pop_back();
      done.insert(key);
    };
    for (const DeclaredMachine& machine : site_.machines) visit(visit, machine.key);
  }

  void CheckHours() {
    if (!site_.hours.empty()) return;
    const auto without = std::find_if(site_.machines.begin(), site_.machines.end(),
                                      [](const DeclaredMachine& m) { return m.hours.empty(); });
    if (without == site_.machines.end()) return;
    table_.Fault(
        "", fmt::format("site {} has no [[site.hours]], and {} has no hours of its own: it would never be "
                        "required to wash",
                        site_.key, without->key));
  }

  DeclarationTable& table_;
  DeclaredSite site_;
};

}  // namespace

DeclaredSite ReadSite(DeclarationTable& table) { return SiteReader(table).Read(); }

}  // namespace bayward
