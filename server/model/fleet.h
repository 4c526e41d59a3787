// The declared fleet as one immutable value: who exists, what belongs to what, and when. Loaded from the registry and
// handed round as shared_ptr<const Fleet>.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/time/time.h"
#include "server/model/calendar.h"
#include "server/model/ids.h"

namespace bayward {

// An availability promised to the owner, from a site-local date until the next row.
struct TargetSpan {
  absl::CivilDay valid_from;
  double availability = 0;  // in [0, 1]
};

// What a programme costs, from a site-local date until the next row of the same programme.
struct PriceSpan {
  absl::CivilDay valid_from;
  std::string programme;
  double price = 0;  // of the site's currency
};

// What a programme sold at a site needs of the machine.
struct ProgrammeNeeds {
  std::string programme;
  std::vector<std::int32_t> capabilities;  // bayward.v1.Capability, ascending
};

struct Site {
  SiteId id;
  std::string key;  // [a-z0-9-], unique
  std::string name;
  std::string region;
  std::string currency;  // ISO 4217
  double latitude = 0;   // degrees, WGS 84
  double longitude = 0;
  std::string attendance;  // "attended" or "unattended"
  Calendar calendar;  // its zones, hours, holidays and closures, without any machine's service life
  std::vector<TargetSpan> targets;  // by date
  std::vector<PriceSpan> prices;    // by programme, date
  std::vector<ProgrammeNeeds> programmes;  // by programme; one that is not in it is taken to need a wash only
};

struct Machine {
  MachineId id;
  SiteId site;
  std::string key;  // unique within the site
  std::string name;
  std::string kind;       // "gantry", "tunnel", "reclaim", …
  std::string full_name;  // "site/machine"
  std::vector<MachineId> depends_on;  // shared plant
  std::optional<MachineId> predecessor;  // the same machine at another site before
  Calendar calendar;  // its own, or its site's
};

// A program on a small box at a site.
struct Agent {
  AgentId id;
  SiteId site;
  std::string key;  // unique
};

// Which agent watches a machine, [from, to). Of one machine they never overlap.
struct Assignment {
  std::int32_t id = 0;
  MachineId machine;
  AgentId agent;
  absl::Time from = absl::InfinitePast();
  absl::Time to = absl::InfiniteFuture();
};

struct Fleet {
  std::int64_t version = 0;
  bool demonstration = false;  // rehearsal events count
  std::vector<Site> sites;     // each by id, ascending
  std::vector<Machine> machines;
  std::vector<Agent> agents;
  std::vector<Assignment> assignments;

  absl::flat_hash_map<SiteId, std::size_t> site_index;
  absl::flat_hash_map<MachineId, std::size_t> machine_index;
  absl::flat_hash_map<AgentId, std::size_t> agent_index;
  absl::flat_hash_map<std::string, AgentId> agent_by_key;
  absl::flat_hash_map<std::string, MachineId> machine_by_full_name;
  absl::flat_hash_map<MachineId, std::vector<std::size_t>> assignments_of;

  const Site* FindSite(SiteId id) const;
  const Machine* FindMachine(MachineId id) const;
  const Machine* FindMachine(SiteId site, std::string_view key) const;
  const Agent* FindAgent(AgentId id) const;
  const Agent* FindAgent(std::string_view key) const;
  // The assignment of `machine` to `agent` that covers `at`, or nullptr.
  const Assignment* FindAssignment(MachineId machine, AgentId agent, absl::Time at) const;

  // Builds the indexes from the vectors.
  void Index();
};

}  // namespace bayward
