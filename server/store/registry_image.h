// The registry's rows in force at one instant, with the database's numbers beside the keys. Reads within the
// caller's transaction and throws what pqxx throws.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "pqxx/pqxx"
#include "server/model/fleet.h"
#include "server/model/ids.h"
#include "server/registry/declaration.h"
#include "server/registry/resolve.h"

namespace bayward {

struct RegistryImage {
  struct AgentEntry {
    AgentId id;
    SiteId site;
  };

  std::int64_t version = 0;
  absl::Time last_recorded_at = absl::InfinitePast();  // when something was last declared
  Declaration declared;                                // resolved, in canonical order
  // Every key that ever was declared, also what is dropped.
  std::map<std::string, SiteId> sites;
  std::map<std::string, AgentEntry> agents;
  std::map<std::string, MachineId> machines;  // by "site/machine"
  std::vector<Assignment> assignments;        // by number; also those that have ended
  EndedAssignments ended;
};

RegistryImage ReadRegistry(pqxx::transaction_base& tx, absl::Time as_of);

// An SQL condition: the row was in force at `as_of`. InfiniteFuture: it is now.
std::string InForce(const std::string& table, absl::Time as_of);

}  // namespace bayward
