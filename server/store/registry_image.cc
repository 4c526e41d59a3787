#include "server/store/registry_image.h"

#include <algorithm>
#include <limits>
#include <optional>
#include <set>
#include <string_view>
#include <tuple>
#include <utility>

#include "absl/strings/numbers.h"
#include "absl/strings/str_split.h"
#include "fmt/format.h"
#include "server/store/database.h"

namespace bayward {
namespace {

constexpr std::int64_t kMinNumber = std::numeric_limits<std::int32_t>::min();
constexpr std::int64_t kMaxNumber = std::numeric_limits<std::int32_t>::max();

// SQL that gives a date as days since 1970 whatever the session's date style, the limits for the infinities.
std::string DayNumberOf(const std::string& column) {
  return fmt::format(
      "CASE WHEN isfinite({0}) THEN {0} - date '1970-01-01' WHEN {0} > date '1970-01-01' THEN {2} ELSE {1} END",
      column, kMinNumber, kMaxNumber);
}

absl::CivilDay ToDay(std::int64_t number) {
  if (number == kMinNumber) return absl::CivilDay::min();
  if (number == kMaxNumber) return absl::CivilDay::max();
  return absl::CivilDay(1970, 1, 1) + number;
}

// A timestamp without zone as civil seconds since 1970; null for infinity.
std::string CivilNumberOf(const std::string& column) {
  return fmt::format("CASE WHEN isfinite({0}) THEN extract(epoch FROM {0})::bigint END", column);
}

absl::CivilSecond ToCivil(const pqxx::field& field) {
  if (field.is_null()) return absl::CivilSecond::max();
  return absl::CivilSecond(1970, 1, 1) + field.as<std::int64_t>();
}

absl::CivilDay Day(const pqxx::field& field) { return ToDay(field.as<std::int64_t>()); }
absl::Time Micros(const pqxx::field& field) { return FromMicros(field.as<std::int64_t>()); }

// "1,5" as numbers.
std::vector<std::int32_t> ToNumbers(std::string_view text) {
  std::vector<std::int32_t> numbers;
  for (const auto part : absl::StrSplit(absl::string_view(text.data(), text.size()), ',')) {
    std::int32_t number = 0;
    if (absl::SimpleAtoi(part, &number)) numbers.push_back(number);
  }
  return numbers;
}

template <class T, class KeyOf>
void SortBy(std::vector<T>& rows, KeyOf key_of) {
  std::sort(rows.begin(), rows.end(), [&](const T& a, const T& b) { return key_of(a) < key_of(b); });
}

class ImageReader {
 public:
  ImageReader(pqxx::transaction_base& tx, absl::Time as_of) : tx_(tx), as_of_(as_of) {}

  RegistryImage Read() {
    Version();
    Sites();
    Zones();
    Agents();
    Machines();
    Dependencies();
    Assignments();
    Hours();
    Calendar();
    Terms();
    Assemble();
    return std::move(image_);
  }

 private:
  pqxx::result Select(const std::string& columns, const std::string& from, const std::string& versions) {
    return tx_.exec(fmt::format("SELECT {} FROM {} WHERE {}", columns, from, InForce(versions, as_of_)));
  }

  void Version() {
    if (as_of_ == absl::InfiniteFuture()) {
      // The row that appliers lock, so that what they read is the newest.
      const pqxx::row row = tx_.exec1("SELECT version, demonstration FROM fleet");
      image_.version = row[0].as<std::int64_t>();
      image_.declared.demonstration = row[1].as<bool>();
    }
    for (const auto& row : tx_.exec(fmt::format("SELECT version, demonstration, {} FROM declaration WHERE "
                                                "recorded_at <= '{}' ORDER BY version DESC LIMIT 1",
                                                MicrosOf("recorded_at"), ToTimestamptz(as_of_)))) {
      image_.version = row[0].as<std::int64_t>();
      image_.declared.demonstration = row[1].as<bool>();
      image_.last_recorded_at = Micros(row[2]);
    }
  }

  void Sites() {
    for (const auto& row : tx_.exec("SELECT site_id, key FROM site")) {
      site_keys_[row[0].as<int>()] = row[1].c_str();
      image_.sites[row[1].c_str()] = SiteId{row[0].as<int>()};
    }
    for (const auto& row : Select("site_id, name, region, currency, latitude, longitude, attendance",
                                  "site_detail", "site_detail")) {
      DeclaredSite& site = sites_[row[0].as<int>()];
      site.key = site_keys_[row[0].as<int>()];
      site.name = row[1].c_str();
      site.region = row[2].c_str();
      site.currency = row[3].c_str();
      site.latitude = row[4].as<double>();
      site.longitude = row[5].as<double>();
      site.attendance = row[6].c_str();
    }
  }

  void Zones() {
    for (const auto& row : Select("site_id, " + DayNumberOf("valid_from") + ", name", "zone", "zone")) {
      sites_[row[0].as<int>()].zones.push_back({Day(row[1]), row[2].c_str()});
    }
  }

  void Agents() {
    for (const auto& row : tx_.exec("SELECT agent_id, site_id, key FROM agent")) {
      agent_keys_[row[0].as<int>()] = row[2].c_str();
      image_.agents[row[2].c_str()] = {AgentId{row[0].as<int>()}, SiteId{row[1].as<int>()}};
    }
    for (const auto& row :
         Select("a.site_id, a.key", "agent a JOIN agent_declared d USING (agent_id)", "d")) {
      sites_[row[0].as<int>()].agents.emplace_back(row[1].c_str());
    }
  }

  void Machines() {
    for (const auto& row : tx_.exec("SELECT machine_id, site_id, key FROM machine")) {
      const std::string full_name = site_keys_[row[1].as<int>()] + "/" + row[2].c_str();
      machine_names_[row[0].as<int>()] = full_name;
      image_.machines[full_name] = MachineId{row[0].as<int>()};
    }
    for (const auto& row :
         Select("m.machine_id, m.site_id, m.key, d.name, d.kind, " + DayNumberOf("d.in_service_from") + ", " +
                    DayNumberOf("d.retired_at") + ", d.predecessor_id",
                "machine m JOIN machine_detail d USING (machine_id)", "d")) {
      DeclaredMachine& machine = machines_[row[0].as<int>()];
      site_of_[row[0].as<int>()] = row[1].as<int>();
      machine.key = row[2].c_str();
      machine.name = row[3].c_str();
      machine.kind = row[4].c_str();
      machine.in_service_from = Day(row[5]);
      machine.retired_at = Day(row[6]);
      if (!row[7].is_null()) machine.predecessor = machine_names_[row[7].as<int>()];
    }
  }

  void Dependencies() {
    std::map<int, std::string> keys;
    for (const auto& [id, machine] : machines_) keys[id] = machine.key;
    for (const auto& row : Select("machine_id, plant_id", "machine_dependency", "machine_dependency")) {
      machines_[row[0].as<int>()].depends_on.push_back(keys[row[1].as<int>()]);
    }
  }

  void Assignments() {
    for (const auto& row :
         Select("assignment_id, machine_id, agent_id, " + MicrosOf("from_at") + ", " + MicrosOf("to_at"),
                "assignment", "assignment")) {
      const Assignment assignment{
          row[0].as<int>(), {row[1].as<int>()}, {row[2].as<int>()}, Micros(row[3]), Micros(row[4])};
      image_.assignments.push_back(assignment);
      const auto machine = machines_.find(assignment.machine.value);
      if (assignment.to == absl::InfiniteFuture()) {
        if (machine == machines_.end()) continue;
        machine->second.agent = agent_keys_[assignment.agent.value];
        machine->second.assigned_from = assignment.from;
        continue;
      }
      const Interval span{assignment.from, assignment.to};
      const auto [latest, added] = image_.ended.try_emplace(machine_names_[assignment.machine.value], span);
      if (!added && latest->second.end < span.end) latest->second = span;
    }
    SortBy(image_.assignments, [](const Assignment& a) { return a.id; });
  }

  void Hours() {
    int week_id = 0;
    WeekHours* week = nullptr;
    for (const auto& row : tx_.exec(
             fmt::format("SELECT w.week_hours_id, w.site_id, w.machine_id, {}, {}, h.day_kind, "
                         "h.open_minute, h.close_minute FROM week_hours w LEFT JOIN hours h USING (week_hours_id) "
                         "WHERE {} ORDER BY w.valid_from, w.week_hours_id, h.day_kind, h.open_minute",
                         DayNumberOf("w.valid_from"), DayNumberOf("w.valid_to"), InForce("w", as_of_)))) {
      if (week == nullptr || row[0].as<int>() != week_id) {
        week_id = row[0].as<int>();
        std::vector<WeekHours>& weeks =
            row[2].is_null() ? sites_[row[1].as<int>()].hours : machines_[row[2].as<int>()].hours;
        week = &weeks.emplace_back();
        week->valid_from = Day(row[3]);
        week->valid_to = Day(row[4]);
      }
      if (row[5].is_null()) continue;
      week->days[row[5].as<std::size_t>()].push_back({row[6].as<int>(), row[7].as<int>()});
    }
  }

  void Calendar() {
    for (const auto& row : Select("site_id, " + DayNumberOf("day"), "holiday", "holiday")) {
      sites_[row[0].as<int>()].holidays.push_back(Day(row[1]));
    }
    for (const auto& row :
         Select("site_id, " + CivilNumberOf("from_civil") + ", " + CivilNumberOf("to_civil") +
                    ", reason, approved, " + MicrosOf("announced_at"),
                "closure", "closure")) {
      sites_[row[0].as<int>()].closures.push_back(
          {ToCivil(row[1]), ToCivil(row[2]), row[3].c_str(), row[4].as<bool>(), Micros(row[5])});
    }
  }

  void Terms() {
    for (const auto& row :
         Select("site_id, programme, array_to_string(needs, ',')", "programme", "programme")) {
      sites_[row[0].as<int>()].programmes.push_back({row[1].c_str(), ToNumbers(row[2].c_str())});
    }
    for (const auto& row :
         Select("site_id, programme, " + DayNumberOf("valid_from") + ", (price * 10000)::bigint", "price",
                "price")) {
      sites_[row[0].as<int>()].prices.push_back({row[1].c_str(), Day(row[2]), row[3].as<std::int64_t>()});
    }
    for (const auto& row :
         Select("site_id, " + DayNumberOf("valid_from") + ", availability", "target", "target")) {
      sites_[row[0].as<int>()].targets.push_back({Day(row[1]), row[2].as<double>()});
    }
  }

  void Assemble() {
    for (auto& [id, machine] : machines_) {
      std::sort(machine.depends_on.begin(), machine.depends_on.end());
      sites_[site_of_[id]].machines.push_back(std::move(machine));
    }
    for (auto& [id, site] : sites_) {
      SortBy(site.zones, [](const DeclaredZone& z) { return z.valid_from; });
      std::sort(site.agents.begin(), site.agents.end());
      std::sort(site.holidays.begin(), site.holidays.end());
      SortBy(site.closures, [](const DeclaredClosure& c) { return c.from; });
      SortBy(site.programmes, [](const DeclaredProgramme& p) { return p.programme; });
      SortBy(site.prices, [](const DeclaredPrice& p) { return std::tie(p.programme, p.valid_from); });
      SortBy(site.targets, [](const DeclaredTarget& t) { return t.valid_from; });
      SortBy(site.machines, [](const DeclaredMachine& m) { return m.key; });
      image_.declared.sites.push_back(std::move(site));
    }
    SortBy(image_.declared.sites, [](const DeclaredSite& s) { return s.key; });
  }

  pqxx::transaction_base& tx_;
  const absl::Time as_of_;
  RegistryImage image_;
  std::map<int, std::string> site_keys_, agent_keys_, machine_names_;  // all that ever were
  std::map<int, DeclaredSite> sites_;                                  // those declared
  std::map<int, DeclaredMachine> machines_;
  std::map<int, int> site_of_;
};

}  // namespace

std::string InForce(const std::string& table, absl::Time as_of) {
  if (as_of == absl::InfiniteFuture()) return table + ".superseded_at = 'infinity'";
  return fmt::format("{0}.recorded_at <= '{1}' AND {0}.superseded_at > '{1}'", table, ToTimestamptz(as_of));
}

RegistryImage ReadRegistry(pqxx::transaction_base& tx, absl::Time as_of) {
  return ImageReader(tx, as_of).Read();
}

}  // namespace bayward
