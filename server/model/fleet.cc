#include "server/model/fleet.h"

#include <string_view>
namespace bayward {
namespace {

template <class Map, class Key, class Vector>
auto* Lookup(const Map& index, const Key& key, const Vector& rows) {
  auto found = index.find(key);
  return found == index.end() ? nullptr : &rows[found->second];
}

}  // namespace

const Site* Fleet::FindSite(SiteId id) const { return Lookup(site_index, id, sites); }
const Machine* Fleet::FindMachine(MachineId id) const { return Lookup(machine_index, id, machines); }
const Agent* Fleet::FindAgent(AgentId id) const { return Lookup(agent_index, id, agents); }

const Machine* Fleet::FindMachine(SiteId site, std::string_view key) const {
  const Site* at = FindSite(site);
  if (at == nullptr) return nullptr;
  std::string full_name = at->key;
  full_name.append("/").append(key);
  auto found = machine_by_full_name.find(full_name);
  return found == machine_by_full_name.end() ? nullptr : FindMachine(found->second);
}

const Agent* Fleet::FindAgent(std::string_view key) const {
  auto found = agent_by_key.find(std::string(key));
  return found == agent_by_key.end() ? nullptr : FindAgent(found->second);
}

const Assignment* Fleet::FindAssignment(MachineId machine, AgentId agent, absl::Time at) const {
  auto found = assignments_of.find(machine);
  if (found == assignments_of.end()) return nullptr;
  for (std::size_t i : found->second) {
    const Assignment& a = assignments[i];
    if (a.agent == agent && a.from <= at && at < a.to) return &a;
  }
  return nullptr;
}

void Fleet::Index() {
  site_index.clear();
  machine_index.clear();
  agent_index.clear();
  agent_by_key.clear();
  machine_by_full_name.clear();
  assignments_of.clear();
  for (std::size_t i = 0; i < assignments.size(); ++i) assignments_of[assignments[i].machine].push_back(i);
  for (std::size_t i = 0; i < sites.size(); ++i) site_index[sites[i].id] = i;
  for (std::size_t i = 0; i < agents.size(); ++i) {
    agent_index[agents[i].id] = i;
    agent_by_key[agents[i].key] = agents[i].id;
  }
  for (std::size_t i = 0; i < machines.size(); ++i) {
    Machine& machine = machines[i];
    machine_index[machine.id] = i;
    if (const Site* site = FindSite(machine.site)) {
      machine.full_name = site->key + "/" + machine.key;
    }
    machine_by_full_name[machine.full_name] = machine.id;
  }
}

}  // namespace bayward
