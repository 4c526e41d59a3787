// Which agents this server hears, and what they last said of themselves. Thread-safe.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "bayward/v1/uplink.pb.h"
#include "server/model/live_agent.h"

namespace bayward {

class Presence {
 public:
  void Connected(AgentId agent, const v1::Hello& hello, absl::Time now);
  void Heard(AgentId agent, const v1::Heartbeat& heartbeat, absl::Time now);
  void Heard(AgentId agent, absl::Time now);
  void Disconnected(AgentId agent, absl::Time now);

  // Everybody heard since this server started.
  std::vector<LiveAgent> Agents() const;

 private:
  mutable absl::Mutex mutex_;
  absl::flat_hash_map<AgentId, LiveAgent> agents_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace bayward
