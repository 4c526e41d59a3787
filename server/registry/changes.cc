#include "server/registry/changes.h"

#include <cstddef>
#include <optional>
#include <tuple>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/capabilities.h"
#include "server/registry/compare.h"
#include "server/registry/values.h"

namespace bayward {
namespace {

std::string FromDay(absl::CivilDay day) {
  return day == absl::CivilDay::min() ? "from the beginning" : "from " + FormatDay(day);
}

std::string Since(absl::Time instant) {
  return instant == absl::InfinitePast() ? "since ever" : "from " + FormatInstant(instant);
}

std::string Day(const std::vector<DayHours>& hours) {
  if (hours.empty()) return "closed";
  return absl::StrJoin(hours, " and ",
                       [](std::string* out, const DayHours& h) { out->append(FormatHours(h)); });
}

// "mon to fri 07:00-22:00, sat to sun 08:00-20:00, holiday closed"
std::string Week(const WeekHours& week) {
  std::vector<std::string> parts;
  for (std::size_t first = 0; first < week.days.size();) {
    std::size_t last = first;
    while (last + 1 < static_cast<std::size_t>(DayKind::kHoliday) && week.days[last + 1] == week.days[first])
      ++last;
    std::string days(kDayNames[first]);
    if (last > first) days += " to " + std::string(kDayNames[last]);
    parts.push_back(days + " " + Day(week.days[first]));
    first = last + 1;
  }
  return absl::StrJoin(parts, ", ");
}

std::string WeekChanges(const WeekHours& before, const WeekHours& after) {
  std::vector<std::string> parts;
  const auto end = [](absl::CivilDay day) {
    return day == absl::CivilDay::max() ? std::string("until further notice") : "until " + FormatDay(day);
  };
  if (before.valid_to != after.valid_to) parts.push_back(end(before.valid_to) + " -> " + end(after.valid_to));
  for (std::size_t kind = 0; kind < kDayNames.size(); ++kind) {
    if (before.days[kind] == after.days[kind]) continue;
    parts.push_back(
        fmt::format("{} {} -> {}", kDayNames[kind], Day(before.days[kind]), Day(after.days[kind])));
  }
  return absl::StrJoin(parts, ", ");
}

std::string Span(const DeclaredClosure& closure) {
  return FormatCivil(closure.from) + " to " +
         (closure.to == absl::CivilSecond::max() ? "further notice" : FormatCivil(closure.to));
}

class Describer {
 public:
  explicit Describer(const std::set<std::string>& with_history) : with_history_(with_history) {}

  std::vector<std::string> Describe(const Declaration& before, const Declaration& after) {
    if (before.demonstration != after.demonstration) {
      Say("~ the fleet is {} a demonstration: rehearsed events {}", after.demonstration ? "now" : "no longer",
          after.demonstration ? "count" : "do not count");
    }
    for (const auto& [b, a] :
         PairUp(before.sites, after.sites, [](const DeclaredSite& s) { return s.key; })) {
      Site(b, a);
    }
    return std::move(lines_);
  }

 private:
  template <class... Args>
  void Say(fmt::format_string<Args...> format, Args&&... args) {
    lines_.push_back(fmt::format(format, std::forward<Args>(args)...));
  }

  // "name "A" -> "B"" where they differ.
  template <class T>
  static void Note(std::vector<std::string>& notes, const char* what, const T& before, const T& after) {
    if (before != after) notes.push_back(fmt::format("{} \"{}\" -> \"{}\"", what, before, after));
  }

  void Site(const DeclaredSite* before, const DeclaredSite* after) {
    static const DeclaredSite kNone;
    if (after == nullptr) {
      Say("- site {}", before->key);
      for (const std::string& agent : before->agents) Say("- agent {} of {}", agent, before->key);
      for (const DeclaredMachine& machine : before->machines) Dropped(*before, machine);
      return;
    }
    site_ = after->key;
    if (before == nullptr) {
      Say("+ site {} (\"{}\", {}, {})", site_, after->name, after->region, after->attendance);
    } else {
      SiteDetail(*before, *after);
    }
    const DeclaredSite& was = before == nullptr ? kNone : *before;
    Zones(was, *after);
    for (const auto& [b, a] :
         Differences(was.agents, after->agents, [](const std::string& key) { return key; })) {
      Say("{} agent {} of {}", a != nullptr ? "+" : "-", a != nullptr ? *a : *b, site_);
    }
    Hours(site_, was.hours, after->hours);
    Holidays(was, *after);
    Closures(was, *after);
    Programmes(was, *after);
    Prices(was, *after);
    Targets(was, *after);
    for (const auto& [b, a] :
         PairUp(was.machines, after->machines, [](const DeclaredMachine& m) { return m.key; })) {
      Machine(was, b, a);
    }
  }

  void SiteDetail(const DeclaredSite& before, const DeclaredSite& after) {
    std::vector<std::string> notes;
    Note(notes, "name", before.name, after.name);
    Note(notes, "region", before.region, after.region);
    Note(notes, "currency", before.currency, after.currency);
    Note(notes, "latitude", before.latitude, after.latitude);
    Note(notes, "longitude", before.longitude, after.longitude);
    Note(notes, "attendance", before.attendance, after.attendance);
    if (!notes.empty()) Say("~ site {}: {}", site_, absl::StrJoin(notes, ", "));
  }

  void Zones(const DeclaredSite& before, const DeclaredSite& after) {
    for (const auto& [b, a] :
         Differences(before.zones, after.zones, [](const auto& z) { return z.valid_from; })) {
      const DeclaredZone& zone = a != nullptr ? *a : *b;
      if (b != nullptr && a != nullptr) {
        Say("~ time zone of {} {}: {} -> {}", site_, FromDay(zone.valid_from), b->name, a->name);
      } else {
        Say("{} time zone of {} {}: {}", a != nullptr ? "+" : "-", site_, FromDay(zone.valid_from),
            zone.name);
      }
    }
  }

  void Hours(const std::string& whose, const std::vector<WeekHours>& before,
             const std::vector<WeekHours>& after) {
    for (const auto& [b, a] : Differences(before, after, [](const WeekHours& w) { return w.valid_from; })) {
      if (a == nullptr) {
        Say("- hours of {} {}", whose, FromDay(b->valid_from));
      } else if (b == nullptr) {
        Say("+ hours of {} {}: {}", whose, FromDay(a->valid_from), Week(*a));
      } else {
        Say("~ hours of {} {}: {}", whose, FromDay(a->valid_from), WeekChanges(*b, *a));
      }
    }
  }

  void Holidays(const DeclaredSite& before, const DeclaredSite& after) {
    std::vector<std::string> added, removed;
    for (const auto& [b, a] :
         Differences(before.holidays, after.holidays, [](absl::CivilDay day) { return day; })) {
      if (a != nullptr) added.push_back(FormatDay(*a));
      if (b != nullptr) removed.push_back(FormatDay(*b));
    }
    if (!added.empty()) Say("+ holidays of {}: {}", site_, absl::StrJoin(added, ", "));
    if (!removed.empty()) Say("- holidays of {}: {}", site_, absl::StrJoin(removed, ", "));
  }

  void Closures(const DeclaredSite& before, const DeclaredSite& after) {
    for (const auto& [b, a] :
         Differences(before.closures, after.closures, [](const auto& c) { return c.from; })) {
      if (a == nullptr) {
        Say("- closure of {} from {} (\"{}\")", site_, Span(*b), b->reason);
      } else if (b == nullptr) {
        Say("+ closure of {} from {} (\"{}\"), announced {}{}", site_, Span(*a), a->reason,
            FormatInstant(*a->recorded_at), a->approved ? ", approved" : "");
      } else {
        std::vector<std::string> notes;
        Note(notes, "from", Span(*b), Span(*a));
        Note(notes, "reason", b->reason, a->reason);
        Note(notes, "announced", FormatInstant(*b->recorded_at), FormatInstant(*a->recorded_at));
        if (b->approved != a->approved) notes.push_back(a->approved ? "approved" : "no longer approved");
        Say("~ closure of {} from {}: {}", site_, FormatCivil(a->from), absl::StrJoin(notes, ", "));
      }
    }
  }

  void Programmes(const DeclaredSite& before, const DeclaredSite& after) {
    const auto needs = [](const DeclaredProgramme& p) {
      return absl::StrJoin(p.needs, ", ",
                           [](std::string* out, std::int32_t need) { out->append(CapabilityName(need)); });
    };
    for (const auto& [b, a] : Differences(before.programmes, after.programmes,
                                          [](const DeclaredProgramme& p) { return p.programme; })) {
      if (a == nullptr) {
        Say("- programme \"{}\" of {}", b->programme, site_);
      } else if (b == nullptr) {
        Say("+ programme \"{}\" of {}: needs {}", a->programme, site_, needs(*a));
      } else {
        Say("~ programme \"{}\" of {}: needs {} -> {}", a->programme, site_, needs(*b), needs(*a));
      }
    }
  }

  void Prices(const DeclaredSite& before, const DeclaredSite& after) {
    const auto key_of = [](const DeclaredPrice& p) { return std::tie(p.programme, p.valid_from); };
    for (const auto& [b, a] : Differences(before.prices, after.prices, key_of)) {
      const DeclaredPrice& price = a != nullptr ? *a : *b;
      const char* mark = b == nullptr ? "+" : a == nullptr ? "-" : "~";
      const std::string was = b != nullptr && a != nullptr ? FormatPrice(b->price_e4) + " -> " : "";
      Say("{} price of \"{}\" at {} {}: {}{} {}", mark, price.programme, site_, FromDay(price.valid_from),
          was, FormatPrice(price.price_e4), after.currency);
    }
  }

  void Targets(const DeclaredSite& before, const DeclaredSite& after) {
    for (const auto& [b, a] :
         Differences(before.targets, after.targets, [](const auto& t) { return t.valid_from; })) {
      const DeclaredTarget& target = a != nullptr ? *a : *b;
      const char* mark = b == nullptr ? "+" : a == nullptr ? "-" : "~";
      const std::string was = b != nullptr && a != nullptr ? fmt::format("{} -> ", b->availability) : "";
      Say("{} target of {} {}: {}{}", mark, site_, FromDay(target.valid_from), was, target.availability);
    }
  }

  void Dropped(const DeclaredSite& site, const DeclaredMachine& machine) {
    const std::string name = site.key + "/" + machine.key;
    Say("- machine {} ({}){}", name, machine.kind,
        with_history_.contains(name) ? ", which has history: that stays, but no report shows it any more"
                                     : "");
  }

  void Machine(const DeclaredSite& site, const DeclaredMachine* before, const DeclaredMachine* after) {
    if (after == nullptr) {
      Dropped(site, *before);
      return;
    }
    const std::string name = site_ + "/" + after->key;
    if (before == nullptr) {
      std::string line = fmt::format("+ machine {} ({})", name, after->kind);
      if (!after->agent.empty())
        line += fmt::format(", watched by {} {}", after->agent, Since(*after->assigned_from));
      if (!after->depends_on.empty()) line += ", depends on " + absl::StrJoin(after->depends_on, ", ");
      if (!after->predecessor.empty()) line += ", was " + after->predecessor;
      lines_.push_back(line);
      Hours(name, {}, after->hours);
      return;
    }
    MachineDetail(name, *before, *after);
    Watched(name, *before, *after);
    Hours(name, before->hours, after->hours);
  }

  void MachineDetail(const std::string& machine, const DeclaredMachine& before,
                     const DeclaredMachine& after) {
    std::vector<std::string> notes;
    const auto retired = [](absl::CivilDay day) {
      return day == absl::CivilDay::max() ? "never" : FormatDay(day);
    };
    Note(notes, "name", before.name, after.name);
    Note(notes, "kind", before.kind, after.kind);
    Note(notes, "depends on", absl::StrJoin(before.depends_on, ", "), absl::StrJoin(after.depends_on, ", "));
    Note(notes, "in service from", FormatDay(before.in_service_from), FormatDay(after.in_service_from));
    Note(notes, "retired at", retired(before.retired_at), retired(after.retired_at));
    Note(notes, "predecessor", before.predecessor, after.predecessor);
    if (!notes.empty()) Say("~ machine {}: {}", machine, absl::StrJoin(notes, ", "));
  }

  void Watched(const std::string& machine, const DeclaredMachine& before, const DeclaredMachine& after) {
    if (before.agent == after.agent && before.assigned_from == after.assigned_from) return;
    if (after.agent.empty()) {
      Say("~ machine {}: no longer watched by {}", machine, before.agent);
    } else if (before.agent.empty()) {
      Say("~ machine {}: watched by {} {}", machine, after.agent, Since(*after.assigned_from));
    } else if (before.agent == after.agent) {
      Say("~ machine {}: watched by {} {}, not {}", machine, after.agent, Since(*after.assigned_from),
          Since(*before.assigned_from));
    } else {
      Say("~ machine {}: passes from {} to {} at {}", machine, before.agent, after.agent,
          FormatInstant(*after.assigned_from));
    }
  }

  const std::set<std::string>& with_history_;
  std::vector<std::string> lines_;
  std::string site_;
};

}  // namespace

std::vector<std::string> DescribeChanges(const Declaration& before, const Declaration& after,
                                         const std::set<std::string>& with_history) {
  return Describer(with_history).Describe(before, after);
}

std::vector<std::string> DroppedMachines(const Declaration& before, const Declaration& after) {
  std::vector<std::string> dropped;
  static const DeclaredSite kNone;
  for (const auto& [b, a] : PairUp(before.sites, after.sites, [](const DeclaredSite& s) { return s.key; })) {
    if (b == nullptr) continue;
    const auto& kept = a == nullptr ? kNone.machines : a->machines;
    for (const auto& [was, is] : PairUp(b->machines, kept, [](const DeclaredMachine& m) { return m.key; })) {
      if (is == nullptr) dropped.push_back(b->key + "/" + was->key);
    }
  }
  return dropped;
}

}  // namespace bayward
