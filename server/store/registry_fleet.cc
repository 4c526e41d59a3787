#include "server/store/registry_fleet.h"

#include <algorithm>
#include <set>
#include <string>
#include <utility>

#include "absl/strings/str_join.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

Calendar SiteCalendar(const DeclaredSite& declared, std::set<std::string>& unknown_zones) {
  Calendar calendar;
  for (const DeclaredZone& declared_zone : declared.zones) {
    ZoneSpan& span = calendar.zones.emplace_back();
    span.valid_from = declared_zone.valid_from;
    span.name = declared_zone.name;
    if (!absl::LoadTimeZone(span.name, &span.zone)) unknown_zones.insert(span.name);
  }
  calendar.hours = declared.hours;
  calendar.holidays = declared.holidays;
  for (const DeclaredClosure& closure : declared.closures) {
    calendar.closures.push_back({closure.from, closure.to, closure.reason,
                                 closure.recorded_at.value_or(absl::InfinitePast()), closure.approved});
  }
  return calendar;
}

Site BuildSite(const DeclaredSite& declared, SiteId id, std::set<std::string>& unknown_zones) {
  Site site;
  site.id = id;
  site.key = declared.key;
  site.name = declared.name;
  site.region = declared.region;
  site.currency = declared.currency;
  site.latitude = declared.latitude;
  site.longitude = declared.longitude;
  site.attendance = declared.attendance;
  site.calendar = SiteCalendar(declared, unknown_zones);
  for (const DeclaredTarget& target : declared.targets) {
    site.targets.push_back({target.valid_from, target.availability});
  }
  for (const DeclaredProgramme& programme : declared.programmes) {
    site.programmes.push_back({programme.programme, programme.needs});
  }
  for (const DeclaredPrice& price : declared.prices) {
    site.prices.push_back({price.valid_from, price.programme, static_cast<double>(price.price_e4) / 1e4});
  }
  return site;
}

Machine BuildMachine(const DeclaredMachine& declared, const Site& site, const RegistryImage& image) {
  Machine machine;
  machine.site = site.id;
  machine.key = declared.key;
  machine.name = declared.name;
  machine.kind = declared.kind;
  machine.full_name = site.key + "/" + declared.key;
  machine.id = image.machines.at(machine.full_name);
  for (const std::string& plant : declared.depends_on) {
    machine.depends_on.push_back(image.machines.at(site.key + "/" + plant));
  }
  if (!declared.predecessor.empty()) machine.predecessor = image.machines.at(declared.predecessor);
  machine.calendar = site.calendar;
  if (!declared.hours.empty()) machine.calendar.hours = declared.hours;
  machine.calendar.in_service_from = declared.in_service_from;
  machine.calendar.retired_at = declared.retired_at;
  return machine;
}

template <class T>
void SortById(std::vector<T>& rows) {
  std::sort(rows.begin(), rows.end(), [](const T& a, const T& b) { return a.id < b.id; });
}

}  // namespace

absl::StatusOr<std::shared_ptr<const Fleet>> BuildFleet(const RegistryImage& image) {
  auto fleet = std::make_shared<Fleet>();
  fleet->version = image.version;
  fleet->demonstration = image.declared.demonstration;
  std::set<std::string> unknown_zones;
  std::set<MachineId> machines;
  for (const DeclaredSite& declared : image.declared.sites) {
    const Site site = BuildSite(declared, image.sites.at(declared.key), unknown_zones);
    for (const std::string& key : declared.agents)
      fleet->agents.push_back({image.agents.at(key).id, site.id, key});
    for (const DeclaredMachine& machine : declared.machines) {
      fleet->machines.push_back(BuildMachine(machine, site, image));
      machines.insert(fleet->machines.back().id);
    }
    fleet->sites.push_back(site);
  }
  if (!unknown_zones.empty()) {
    return FailedPrecondition(
        "the fleet is declared with time zones that this host's time zone database does not have ({}): install or "
        "update the package tzdata",
        absl::StrJoin(unknown_zones, ", "));
  }
  for (const Assignment& assignment : image.assignments) {
    if (machines.contains(assignment.machine)) fleet->assignments.push_back(assignment);
  }
  SortById(fleet->sites);
  SortById(fleet->agents);
  SortById(fleet->machines);
  fleet->Index();
  return std::shared_ptr<const Fleet>(std::move(fleet));
}

}  // namespace bayward
