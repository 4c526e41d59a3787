// Parts of the live snapshot as rows of the Fleet service. Pure: any thread may call.
#pragma once

#include <cstdint>

#include "absl/time/time.h"
#include "bayward/v1/fleet.pb.h"
#include "server/api/micros.h"
#include "server/live/live_fleet.h"

namespace bayward {

// nullptr where the snapshot has none.
const LiveMachine* FindLive(const LiveSnapshot& snapshot, MachineId machine);
const LiveAgent* FindLive(const LiveSnapshot& snapshot, AgentId agent);

v1::AgentRow MakeAgentRow(const LiveSnapshot& snapshot, const Agent& agent);
v1::LiveMachine MakeLiveRow(const LiveSnapshot& snapshot, const Machine& machine, absl::Time now);

// Agents of a site, or of all sites for the id none, by key.
std::vector<v1::AgentRow> AgentRows(const LiveSnapshot& snapshot, SiteId site);

}  // namespace bayward
