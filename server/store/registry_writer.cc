#include "server/store/registry_writer.h"

#include <algorithm>
#include <set>
#include <string>
#include <tuple>
#include <utility>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/registry/compare.h"
#include "server/registry/values.h"
#include "server/store/database.h"
#include "server/store/insert_batch.h"

namespace bayward {
namespace {

std::string Literal(absl::CivilDay day) {
  if (day == absl::CivilDay::min()) return "'-infinity'";
  if (day == absl::CivilDay::max()) return "'infinity'";
  return "'" + FormatDay(day) + "'";
}

std::string Literal(absl::CivilSecond civil) {
  return civil == absl::CivilSecond::max() ? "'infinity'" : "'" + FormatCivil(civil) + "'";
}

std::string Literal(absl::Time time) { return "'" + ToTimestamptz(time) + "'"; }

constexpr auto kKeyOfSite = [](const DeclaredSite& site) { return site.key; };
constexpr auto kKeyOfMachine = [](const DeclaredMachine& machine) { return machine.key; };

class RegistryWriter {
 public:
  RegistryWriter(pqxx::transaction_base& tx, const RegistryImage& image, absl::Time now)
      : tx_(tx),
        image_(image),
        now_(now),
        now_literal_(Literal(now)),
        sites_(image.sites),
        agents_(image.agents),
        machines_(image.machines) {}

  void Write(const Declaration& wanted) {
    const auto pairs = PairUp(image_.declared.sites, wanted.sites, kKeyOfSite);
    // Every number first: sites refer to each other's machines.
    for (const auto& [before, after] : pairs) Identities(before, after);
    for (const auto& [before, after] : pairs) Site(before, after);
    for (InsertBatch* batch : {&site_details_, &zones_, &agents_declared_, &machine_details_, &dependencies_,
                               &assignments_, &hours_, &holidays_, &closures_, &programmes_, &prices_, &targets_}) {
      batch->Flush(tx_);
    }
  }

 private:
  template <class... Args>
  pqxx::result Run(fmt::format_string<Args...> format, Args&&... args) {
    return tx_.exec(fmt::format(format, std::forward<Args>(args)...));
  }
  std::string Quote(const std::string& text) const { return tx_.quote(text); }

  // Ends the rows in force for which `condition` holds.
  void Supersede(const char* table, const std::string& condition) {
    Run("UPDATE {} SET superseded_at = {} WHERE superseded_at = 'infinity' AND {}", table, now_literal_,
        condition);
  }

  void Identities(const DeclaredSite* before, const DeclaredSite* after) {
    if (after == nullptr) return;
    if (before == nullptr) {
      sites_[after->key] = SiteId{Run("INSERT INTO site (key, declared_at) VALUES ({}, {}) ON CONFLICT (key) "
                                      "DO UPDATE SET dropped_at = NULL RETURNING site_id",
                                      Quote(after->key), now_literal_)[0][0]
                                      .as<int>()};
    }
    static const DeclaredSite kNone;
    const DeclaredSite& was = before == nullptr ? kNone : *before;
    const int site = sites_[after->key].value;
    for (const auto& [b, a] : PairUp(was.agents, after->agents, [](const std::string& key) { return key; })) {
      if (b != nullptr) continue;
      agents_[*a] = {
          AgentId{Run("INSERT INTO agent (site_id, key, declared_at) VALUES ({}, {}, {}) ON CONFLICT (key) "
                      "DO UPDATE SET dropped_at = NULL RETURNING agent_id",
                      site, Quote(*a), now_literal_)[0][0]
                      .as<int>()},
          SiteId{site}};
    }
    for (const auto& [b, a] : PairUp(was.machines, after->machines, kKeyOfMachine)) {
      if (b != nullptr) continue;
      machines_[after->key + "/" + a->key] =
          MachineId{Run("INSERT INTO machine (site_id, key, declared_at) VALUES ({}, {}, {}) ON CONFLICT "
                        "(site_id, key) DO UPDATE SET dropped_at = NULL RETURNING machine_id",
                        site, Quote(a->key), now_literal_)[0][0]
                        .as<int>()};
    }
  }

  void Site(const DeclaredSite* before, const DeclaredSite* after) {
    static const DeclaredSite kNone;
    const DeclaredSite& was = before == nullptr ? kNone : *before;
    const DeclaredSite& is = after == nullptr ? kNone : *after;
    site_key_ = after == nullptr ? before->key : after->key;
    site_ = sites_[site_key_].value;
    SiteDetail(before, after);
    Agents(was, is);
    Hours(0, was.hours, is.hours);
    Sync(
        "zone", was.zones, is.zones, [](const DeclaredZone& z) { return z.valid_from; },
        [](const DeclaredZone& z) { return "valid_from = " + Literal(z.valid_from); },
        [this](const DeclaredZone& z) { Add(zones_, "{}, {}", Literal(z.valid_from), Quote(z.name)); });
    Sync(
        "holiday", was.holidays, is.holidays, [](absl::CivilDay day) { return day; },
        [](absl::CivilDay day) { return "day = " + Literal(day); },
        [this](absl::CivilDay day) { Add(holidays_, "{}", Literal(day)); });
    Sync(
        "closure", was.closures, is.closures, [](const DeclaredClosure& c) { return c.from; },
        [](const DeclaredClosure& c) { return "from_civil = " + Literal(c.from); },
        [this](const DeclaredClosure& c) {
          Add(closures_, "{}, {}, {}, {}, {}", Literal(c.from), Literal(c.to), Quote(c.reason), c.approved,
              Literal(c.recorded_at.value_or(now_)));
        });
    Sync(
        "programme", was.programmes, is.programmes, [](const DeclaredProgramme& p) { return p.programme; },
        [this](const DeclaredProgramme& p) { return "programme = " + Quote(p.programme); },
        [this](const DeclaredProgramme& p) {
          Add(programmes_, "{}, '{{{}}}'", Quote(p.programme), absl::StrJoin(p.needs, ","));
        });
    Sync(
        "price", was.prices, is.prices,
        [](const DeclaredPrice& p) { return std::tie(p.programme, p.valid_from); },
        [this](const DeclaredPrice& p) {
          return fmt::format("programme = {} AND valid_from = {}", Quote(p.programme), Literal(p.valid_from));
        },
        [this](const DeclaredPrice& p) {
          Add(prices_, "{}, {}, {}", Quote(p.programme), Literal(p.valid_from), FormatPrice(p.price_e4));
        });
    Sync(
        "target", was.targets, is.targets, [](const DeclaredTarget& t) { return t.valid_from; },
        [](const DeclaredTarget& t) { return "valid_from = " + Literal(t.valid_from); },
        [this](const DeclaredTarget& t) { Add(targets_, "{}, {}", Literal(t.valid_from), t.availability); });
    for (const auto& [b, a] : PairUp(was.machines, is.machines, kKeyOfMachine)) Machine(b, a);
  }

  // A row of this site, recorded now. `format` is for the columns between.
  template <class... Args>
  void Add(InsertBatch& batch, fmt::format_string<Args...> format, Args&&... args) {
    batch.Add(
        fmt::format("{}, {}, {}", site_, fmt::format(format, std::forward<Args>(args)...), now_literal_));
  }

  // Supersedes what changed or went before it adds anything: the new rows may need the old ones' room.
  template <class T, class KeyOf, class ConditionOf, class AddRow>
  void Sync(const char* table, const std::vector<T>& before, const std::vector<T>& after, KeyOf key_of,
            ConditionOf condition_of, AddRow add_row) {
    const auto differences = Differences(before, after, key_of);
    for (const auto& [b, a] : differences) {
      if (b != nullptr) Supersede(table, fmt::format("site_id = {} AND {}", site_, condition_of(*b)));
    }
    for (const auto& [b, a] : differences) {
      if (a != nullptr) add_row(*a);
    }
  }

  void SiteDetail(const DeclaredSite* before, const DeclaredSite* after) {
    const auto detail = [this](const DeclaredSite& s) {
      return fmt::format("{}, {}, {}, {}, {}, {}", Quote(s.name), Quote(s.region), Quote(s.currency),
                         s.latitude, s.longitude, Quote(s.attendance));
    };
    if (before != nullptr && after != nullptr && detail(*before) == detail(*after)) return;
    if (before != nullptr) Supersede("site_detail", fmt::format("site_id = {}", site_));
    if (after != nullptr) Add(site_details_, "{}", detail(*after));
    if (after == nullptr) Run("UPDATE site SET dropped_at = {} WHERE site_id = {}", now_literal_, site_);
  }

  void Agents(const DeclaredSite& was, const DeclaredSite& is) {
    for (const auto& [b, a] :
         Differences(was.agents, is.agents, [](const std::string& key) { return key; })) {
      if (a != nullptr) {
        agents_declared_.Add(fmt::format("{}, {}", agents_[*a].id.value, now_literal_));
        continue;
      }
      const int agent = agents_[*b].id.value;
      Supersede("agent_declared", fmt::format("agent_id = {}", agent));
      Run("UPDATE agent SET dropped_at = {} WHERE agent_id = {}", now_literal_, agent);
    }
  }

  // machine 0: the site's.
  void Hours(int machine, const std::vector<WeekHours>& before, const std::vector<WeekHours>& after) {
    const std::string whose = machine == 0 ? "NULL" : std::to_string(machine);
    Sync(
        "week_hours", before, after, [](const WeekHours& w) { return w.valid_from; },
        [&](const WeekHours& w) {
          return fmt::format("machine_id IS NOT DISTINCT FROM {} AND valid_from = {}", whose,
                             Literal(w.valid_from));
        },
        [&](const WeekHours& w) {
          const int week =
              Run("INSERT INTO week_hours (site_id, machine_id, valid_from, valid_to, recorded_at) VALUES "
                  "({}, {}, {}, {}, {}) RETURNING week_hours_id",
                  site_, whose, Literal(w.valid_from), Literal(w.valid_to), now_literal_)[0][0]
                  .as<int>();
          for (std::size_t kind = 0; kind < w.days.size(); ++kind) {
            for (const DayHours& day : w.days[kind]) {
              hours_.Add(
                  fmt::format("{}, {}, {}, {}, {}", site_, week, kind, day.open_minute, day.close_minute));
            }
          }
        });
  }

  void Machine(const DeclaredMachine* before, const DeclaredMachine* after) {
    static const DeclaredMachine kNone;
    const DeclaredMachine& was = before == nullptr ? kNone : *before;
    const DeclaredMachine& is = after == nullptr ? kNone : *after;
    const MachineId id = NumberOf(before == nullptr ? after->key : before->key);
    MachineDetail(id.value, before, after);
    const std::string of_machine = fmt::format("machine_id = {}", id.value);
    Sync(
        "machine_dependency", was.depends_on, is.depends_on, [](const std::string& plant) { return plant; },
        [&](const std::string& plant) {
          return fmt::format("{} AND plant_id = {}", of_machine, NumberOf(plant).value);
        },
        [&](const std::string& plant) { Add(dependencies_, "{}, {}", id.value, NumberOf(plant).value); });
    Hours(id.value, was.hours, is.hours);
    Watching(id, was, is);
  }

  MachineId NumberOf(const std::string& key) { return machines_.at(site_key_ + "/" + key); }

  void MachineDetail(int id, const DeclaredMachine* before, const DeclaredMachine* after) {
    const auto detail = [&](const DeclaredMachine& m) {
      const std::string predecessor =
          m.predecessor.empty() ? "NULL" : std::to_string(machines_.at(m.predecessor).value);
      return fmt::format("{}, {}, {}, {}, {}, {}", id, Quote(m.name), Quote(m.kind),
                         Literal(m.in_service_from), Literal(m.retired_at), predecessor);
    };
    if (before != nullptr && after != nullptr && detail(*before) == detail(*after)) return;
    if (before != nullptr) Supersede("machine_detail", fmt::format("machine_id = {}", id));
    if (after != nullptr) Add(machine_details_, "{}", detail(*after));
    if (after == nullptr) Run("UPDATE machine SET dropped_at = {} WHERE machine_id = {}", now_literal_, id);
  }

  // Ends the assignment in force and begins the next one where the machine passes to another agent, or moves
  // the instant at which it did.
  void Watching(MachineId machine, const DeclaredMachine& was, const DeclaredMachine& is) {
    if (was.agent == is.agent && was.assigned_from == is.assigned_from) return;
    if (is.agent.empty()) {
      for (const Assignment& a : image_.assignments) {
        if (a.machine == machine && a.to > now_) Reassign(a, a.from, now_);
      }
      return;
    }
    const Assignment* open = nullptr;
    const Assignment* earlier = nullptr;  // ends where `open` begins
    for (const Assignment& a : image_.assignments) {
      if (a.machine == machine && a.to == absl::InfiniteFuture()) open = &a;
    }
    for (const Assignment& a : image_.assignments) {
      if (open != nullptr && a.machine == machine && a.to == open->from) earlier = &a;
    }
    if (open != nullptr && was.agent == is.agent) {
      if (earlier != nullptr) Reassign(*earlier, earlier->from, *is.assigned_from);
      Reassign(*open, *is.assigned_from, absl::InfiniteFuture());
      return;
    }
    if (open != nullptr) Reassign(*open, open->from, *is.assigned_from);
    Add(assignments_, "nextval('assignment_number'), {}, {}, {}, 'infinity'", machine.value,
        agents_[is.agent].id.value, Literal(*is.assigned_from));
  }

  // A new version of an assignment; none where it would end before it begins.
  void Reassign(const Assignment& assignment, absl::Time from, absl::Time to) {
    Supersede("assignment", fmt::format("assignment_id = {}", assignment.id));
    if (from >= to) return;
    Add(assignments_, "{}, {}, {}, {}, {}", assignment.id, assignment.machine.value, assignment.agent.value,
        Literal(from), Literal(to));
  }

  pqxx::transaction_base& tx_;
  const RegistryImage& image_;
  const absl::Time now_;
  const std::string now_literal_;
  std::map<std::string, SiteId> sites_;
  std::map<std::string, RegistryImage::AgentEntry> agents_;
  std::map<std::string, MachineId> machines_;
  int site_ = 0;  // the one being written
  std::string site_key_;

  InsertBatch site_details_{"site_detail",
                            "site_id, name, region, currency, latitude, longitude, attendance, recorded_at"};
  InsertBatch zones_{"zone", "site_id, valid_from, name, recorded_at"};
  InsertBatch agents_declared_{"agent_declared", "agent_id, recorded_at"};
  InsertBatch machine_details_{
      "machine_detail",
      "site_id, machine_id, name, kind, in_service_from, retired_at, predecessor_id, recorded_at"};
  InsertBatch dependencies_{"machine_dependency", "site_id, machine_id, plant_id, recorded_at"};
  InsertBatch assignments_{"assignment",
                           "site_id, assignment_id, machine_id, agent_id, from_at, to_at, recorded_at"};
  InsertBatch hours_{"hours", "site_id, week_hours_id, day_kind, open_minute, close_minute"};
  InsertBatch holidays_{"holiday", "site_id, day, recorded_at"};
  InsertBatch closures_{"closure",
                        "site_id, from_civil, to_civil, reason, approved, announced_at, recorded_at"};
  InsertBatch programmes_{"programme", "site_id, programme, needs, recorded_at"};
  InsertBatch prices_{"price", "site_id, programme, valid_from, price, recorded_at"};
  InsertBatch targets_{"target", "site_id, valid_from, availability, recorded_at"};
};

}  // namespace

absl::Status CheckAgainst(const RegistryImage& image, const Declaration& wanted) {
  std::vector<std::string> faults;
  std::set<std::string> declared;
  for (const DeclaredSite& site : wanted.sites) {
    for (const DeclaredMachine& machine : site.machines) declared.insert(site.key + "/" + machine.key);
  }
  for (const DeclaredSite& site : wanted.sites) {
    const auto site_id = image.sites.find(site.key);
    for (const std::string& key : site.agents) {
      const auto agent = image.agents.find(key);
      if (agent == image.agents.end()) continue;
      if (site_id != image.sites.end() && site_id->second == agent->second.site) continue;
      faults.push_back(
          fmt::format("{}: agent {} is or was an agent of another site, and an agent stays where its "
                      "events come from: give the one at {} a key of its own",
                      site.where, key, site.key));
    }
    for (const DeclaredMachine& machine : site.machines) {
      const std::string& predecessor = machine.predecessor;
      if (predecessor.empty() || declared.contains(predecessor) || image.machines.contains(predecessor))
        continue;
      faults.push_back(fmt::format("{}: the predecessor {} of machine {}/{} was never declared",
                                   machine.where, predecessor, site.key, machine.key));
    }
  }
  if (faults.empty()) return absl::OkStatus();
  return InvalidArgument("{}", absl::StrJoin(faults, "\n"));
}

void WriteRegistry(pqxx::transaction_base& tx, const RegistryImage& image, const Declaration& wanted,
                   absl::Time now) {
  RegistryWriter(tx, image, now).Write(wanted);
}

}  // namespace bayward
