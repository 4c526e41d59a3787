#include "server/registry/export.h"

#include <cstddef>
#include <string_view>

#include "fmt/format.h"
#include "proto/common/capabilities.h"
#include "server/registry/values.h"

namespace bayward {
namespace {

std::string Quoted(std::string_view text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') out += '\\';
    out += c;
  }
  return out + "\"";
}

template <class T, class Format>
std::string Array(const std::vector<T>& values, Format format) {
  std::string out = "[";
  for (const T& value : values) {
    if (out.size() > 1) out += ", ";
    out += Quoted(format(value));
  }
  return out + "]";
}

// A float in TOML has a point or an exponent.
std::string Number(double value) {
  std::string text = fmt::format("{}", value);
  if (text.find_first_of(".e") == std::string::npos) text += ".0";
  return text;
}

class Writer {
 public:
  std::string Write(const Declaration& declaration) {
    out_ = fmt::format("[fleet]\ndemonstration = {}\n", declaration.demonstration);
    for (const DeclaredSite& site : declaration.sites) Site(site);
    return std::move(out_);
  }

 private:
  void Header(std::string_view name) { out_ += fmt::format("\n[[{}]]\n", name); }
  void Raw(std::string_view key, const std::string& value) { out_ += fmt::format("{} = {}\n", key, value); }
  void Text(std::string_view key, std::string_view value) { Raw(key, Quoted(value)); }
  void Flag(std::string_view key, bool value) { Raw(key, value ? "true" : "false"); }

  void Site(const DeclaredSite& site) {
    Header("site");
    Text("key", site.key);
    Text("name", site.name);
    Text("region", site.region);
    Text("time_zone", site.zones.front().name);
    Text("currency", site.currency);
    Raw("latitude", Number(site.latitude));
    Raw("longitude", Number(site.longitude));
    Text("attendance", site.attendance);
    if (!site.holidays.empty()) Raw("holidays", Array(site.holidays, FormatDay));
    for (std::size_t i = 1; i < site.zones.size(); ++i) {
      Header("site.zone");
      Text("valid_from", FormatDay(site.zones[i].valid_from));
      Text("name", site.zones[i].name);
    }
    for (const std::string& agent : site.agents) {
      Header("site.agent");
      Text("key", agent);
    }
    Hours("site.hours", site.hours);
    for (const DeclaredClosure& closure : site.closures) Closure(closure);
    for (const DeclaredProgramme& programme : site.programmes) {
      Header("site.programme");
      Text("programme", programme.programme);
      Raw("needs", Array(programme.needs, CapabilityName));
    }
    for (const DeclaredPrice& price : site.prices) {
      Header("site.price");
      Text("programme", price.programme);
      Text("price", FormatPrice(price.price_e4));
      Text("valid_from", FormatDay(price.valid_from));
    }
    for (const DeclaredTarget& target : site.targets) {
      Header("site.target");
      Raw("availability", Number(target.availability));
      Text("valid_from", FormatDay(target.valid_from));
    }
    for (const DeclaredMachine& machine : site.machines) Machine(machine);
  }

  void Hours(std::string_view header, const std::vector<WeekHours>& weeks) {
    for (std::size_t i = 0; i < weeks.size(); ++i) {
      const WeekHours& week = weeks[i];
      Header(header);
      Text("valid_from", FormatDay(week.valid_from));
      const absl::CivilDay implied = i + 1 < weeks.size() ? weeks[i + 1].valid_from : absl::CivilDay::max();
      if (week.valid_to != implied) Text("valid_to", FormatDay(week.valid_to));
      for (std::size_t kind = 0; kind < kDayNames.size(); ++kind) {
        Raw(kDayNames[kind], Array(week.days[kind], FormatHours));
      }
    }
  }

  void Closure(const DeclaredClosure& closure) {
    Header("site.closure");
    Text("from", FormatCivil(closure.from));
    if (closure.to != absl::CivilSecond::max()) Text("to", FormatCivil(closure.to));
    Text("reason", closure.reason);
    Flag("approved", closure.approved);
    if (closure.recorded_at) Text("recorded_at", FormatInstant(*closure.recorded_at));
  }

  void Machine(const DeclaredMachine& machine) {
    Header("site.machine");
    Text("key", machine.key);
    Text("name", machine.name);
    Text("kind", machine.kind);
    if (!machine.agent.empty()) Text("agent", machine.agent);
    if (!machine.depends_on.empty()) {
      Raw("depends_on", Array(machine.depends_on, [](const std::string& key) { return key; }));
    }
    Text("in_service_from", FormatDay(machine.in_service_from));
    if (machine.retired_at != absl::CivilDay::max()) Text("retired_at", FormatDay(machine.retired_at));
    if (!machine.predecessor.empty()) Text("predecessor", machine.predecessor);
    // Since ever is what a machine has that nobody watched before.
    if (machine.assigned_from && *machine.assigned_from != absl::InfinitePast()) {
      Text("assigned_from", FormatInstant(*machine.assigned_from));
    }
    Hours("site.machine.hours", machine.hours);
  }

  std::string out_;
};

}  // namespace

std::string WriteDeclaration(const Declaration& declaration) { return Writer().Write(declaration); }

}  // namespace bayward
