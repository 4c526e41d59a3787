#include "server/registry/checks.h"

#include <map>

#include "fmt/format.h"
#include "server/registry/values.h"

namespace bayward {
namespace {

struct Placed {
  const DeclaredSite* site;
  const DeclaredMachine* machine;
};
using MachinesByName = std::map<std::string, Placed>;

std::string FullName(const DeclaredSite& site, const DeclaredMachine& machine) {
  return site.key + "/" + machine.key;
}

void CheckKeys(const std::vector<DeclaredSite>& sites, std::vector<std::string>& faults) {
  std::map<std::string, const DeclaredSite*> site_of_key, site_of_agent;
  for (const DeclaredSite& site : sites) {
    if (site.key.empty()) continue;
    const auto [same, added] = site_of_key.try_emplace(site.key, &site);
    if (!added) {
      faults.push_back(fmt::format("{}: site {} is declared twice, also at {}", site.where, site.key,
                                   same->second->where));
    }
    for (const std::string& agent : site.agents) {
      const auto [other, first] = site_of_agent.try_emplace(agent, &site);
      if (first) continue;
      faults.push_back(
          fmt::format("{}: agent {} of site {} is also an agent of {} at {}: an agent's key is its own "
                      "in the whole fleet",
                      site.where, agent, site.key, other->second->key, other->second->where));
    }
  }
}

// A machine that moved stands at one site at a time.
void CheckPredecessor(const Placed& placed, const MachinesByName& by_name, std::vector<std::string>& faults) {
  const DeclaredMachine& machine = *placed.machine;
  const std::string name = FullName(*placed.site, machine);
  if (machine.predecessor == name) {
    faults.push_back(fmt::format("{}: machine {} names itself as its predecessor", machine.where, name));
    return;
  }
  const auto found = by_name.find(machine.predecessor);
  if (found == by_name.end()) return;
  const DeclaredMachine& before = *found->second.machine;
  if (before.retired_at <= machine.in_service_from) return;
  const std::string retired = before.retired_at == absl::CivilDay::max()
                                  ? "is not retired"
                                  : "is retired only at " + FormatDay(before.retired_at);
  faults.push_back(fmt::format(
      "{}: machine {} would be at two sites: it is in service from {}, and its predecessor {} "
      "at {} {}",
      machine.where, name, FormatDay(machine.in_service_from), machine.predecessor, before.where, retired));
}

}  // namespace

void CheckAcrossSites(const std::vector<DeclaredSite>& sites, std::vector<std::string>& faults) {
  CheckKeys(sites, faults);
  MachinesByName by_name;
  std::map<std::string, std::string> successor_of;
  for (const DeclaredSite& site : sites) {
    for (const DeclaredMachine& machine : site.machines) by_name[FullName(site, machine)] = {&site, &machine};
  }
  for (const auto& [name, placed] : by_name) {
    const std::string& predecessor = placed.machine->predecessor;
    if (predecessor.empty()) continue;
    CheckPredecessor(placed, by_name, faults);
    const auto [other, first] = successor_of.try_emplace(predecessor, name);
    if (first) continue;
    faults.push_back(
        fmt::format("{}: machines {} and {} both name {} as their predecessor: it can have moved to one "
                    "place only",
                    placed.machine->where, other->second, name, predecessor));
  }
}

}  // namespace bayward
