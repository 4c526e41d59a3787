// A live fleet that a test writes down. Thread-safe.
#pragma once

#include <memory>
#include <string>
#include <utility>

#include "absl/synchronization/mutex.h"
#include "server/live/live_fleet.h"

namespace bayward {

class FakeLiveFleet : public LiveFleet {
 public:
  FakeLiveFleet() {
    Show(LiveSnapshot{
        .as_of = absl::UnixEpoch(), .fleet = std::make_shared<Fleet>(), .machines = {}, .agents = {}});
  }

  std::shared_ptr<const LiveSnapshot> Current() const override {
    absl::MutexLock lock(&mutex_);
    return snapshot_;
  }
  void Show(LiveSnapshot snapshot) {
    absl::MutexLock lock(&mutex_);
    snapshot_ = std::make_shared<const LiveSnapshot>(std::move(snapshot));
  }

 private:
  mutable absl::Mutex mutex_;
  std::shared_ptr<const LiveSnapshot> snapshot_ ABSL_GUARDED_BY(mutex_);
};

// `sites` sites, each with `machines_each` machines (all up) and one agent: "site-1/bay-1", "box-1".
inline LiveSnapshot MakeSnapshot(int sites, int machines_each) {
  auto fleet = std::make_shared<Fleet>();
  LiveSnapshot snapshot;
  snapshot.as_of = absl::FromUnixSeconds(1'750'000'000);
  for (int s = 1; s <= sites; ++s) {
    Site site;
    site.id = {s};
    site.key = "site-" + std::to_string(s);
    site.region = "north";
    fleet->sites.push_back(site);
    Agent agent;
    agent.id = {s};
    agent.site = site.id;
    agent.key = "box-" + std::to_string(s);
    fleet->agents.push_back(agent);
    LiveAgent live_agent;
    live_agent.id = agent.id;
    snapshot.agents.push_back(live_agent);
    for (int m = 1; m <= machines_each; ++m) {
      Machine machine;
      machine.id = {(s - 1) * machines_each + m};
      machine.site = site.id;
      machine.key = "bay-" + std::to_string(m);
      machine.kind = "gantry";
      fleet->machines.push_back(machine);
      LiveMachine live;
      live.id = machine.id;
      live.now.condition = Condition::kUp;
      snapshot.machines.push_back(live);
    }
  }
  fleet->Index();
  snapshot.fleet = fleet;
  return snapshot;
}

}  // namespace bayward
