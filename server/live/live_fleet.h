// What the fleet does now, as one immutable snapshot that is replaced, never changed. Readers take Current() and keep
// it as long as they like; only ingest and the poller write. Thread-safe.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/time/time.h"
#include "server/model/fleet.h"
#include "server/model/history.h"
#include "server/model/live_agent.h"
#include "server/timeline/condition.h"
#include "server/timeline/fold.h"

namespace bayward {

// Seconds as they were seen live since this process started; never corrected by late history.
struct SeenSeconds {
  double required = 0;
  double up = 0;
  double degraded = 0;
  double down = 0;
  double withheld = 0;
  double unknown = 0;
};

struct LiveMachine {
  MachineId id;
  AgentId agent;  // none: nobody is assigned
  MachineState state;
  bool observed = false;     // somebody watches it at this moment
  bool from_report = false;  // the agent still delivers history: this is what it says of now
  bool required = false;     // in required time now
  NowCondition now;
  absl::Time as_of = absl::InfinitePast();  // how old what is shown is
  SeenSeconds seen;
  std::uint64_t cycles_completed = 0;  // taken in since this process started
  std::uint64_t cycles_aborted = 0;
};

struct LiveSnapshot {
  absl::Time as_of;
  std::shared_ptr<const Fleet> fleet;
  std::vector<LiveMachine> machines;  // by id, ascending: as fleet->machines
  std::vector<LiveAgent> agents;      // by id, ascending: as fleet->agents
};

class LiveFleet {
 public:
  virtual ~LiveFleet() = default;
  virtual std::shared_ptr<const LiveSnapshot> Current() const = 0;
};

}  // namespace bayward
