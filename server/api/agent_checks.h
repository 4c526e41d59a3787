// Looks over the agents as a doctor would: are they heard, do their clocks agree with ours, do they run the
// same programs and code books, have they room. Pure: any thread may call.
#pragma once

#include <string_view>
#include <vector>

#include "absl/time/time.h"
#include "bayward/v1/fleet.pb.h"
#include "server/live/live_fleet.h"

namespace bayward {

inline constexpr absl::Duration kAgentQuietAfter = absl::Minutes(5);
inline constexpr absl::Duration kClockLookFrom = absl::Seconds(2);
inline constexpr absl::Duration kClockBadFrom = absl::Seconds(60);
inline constexpr double kSpoolLookFrom = 0.8;  // share of its room

// One check each, always in the same order, over all agents of the snapshot.
std::vector<v1::DiagnoseResponse::Check> CheckAgents(const LiveSnapshot& snapshot, absl::Time now,
                                                     std::string_view server_version);

}  // namespace bayward
