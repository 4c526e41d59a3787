// Keeps the live picture: polls what any server committed, adds whom this server hears, and publishes an immutable
// snapshot after each round. Run() has a thread of its own; Current() may be called from any.
#pragma once

#include <functional>
#include <memory>
#include <thread>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "proto/common/clock.h"
#include "server/live/live_fleet.h"
#include "server/store/live_store.h"

namespace bayward {

struct FleetStateOptions {
  absl::Duration poll_interval = absl::Milliseconds(250);
  // An agent not heard for longer does not watch, though its stream may still look open.
  absl::Duration silent_after = absl::Seconds(45);
};

class FleetState : public LiveFleet {
 public:
  using FleetSource = std::function<std::shared_ptr<const Fleet>()>;
  using AgentSource = std::function<std::vector<LiveAgent>()>;  // heard by this server

  FleetState(LiveStore& store, FleetSource fleet, AgentSource agents, const Clock& clock, FleetStateOptions options);
  ~FleetState() override;

  std::shared_ptr<const LiveSnapshot> Current() const override;

  // One round: polls, computes, accrues, publishes. Keeps showing what it last knew, with its age, where the database
  // does not answer.
  absl::Status Refresh();

  void Start();
  void Stop();  // idempotent
  // When a round last succeeded.
  absl::Time refreshed_at() const;

 private:
  void Publish(absl::Time now);
  LiveMachine View(const Fleet& fleet, const Machine& machine, absl::Time now) const;
  std::vector<LiveAgent> MergedAgents(const Fleet& fleet) const;
  bool RequiredNow(const Machine& machine, std::int64_t fleet_version, absl::Time now);

  LiveStore& store_;
  const FleetSource fleet_;
  const AgentSource heard_;
  const Clock& clock_;
  const FleetStateOptions options_;

  // The polling thread's.
  LiveRows rows_;
  struct RequiredCache {
    std::int64_t fleet_version = -1;
    Interval computed;  // what `required` covers
    IntervalSet required;
  };
  absl::flat_hash_map<MachineId, RequiredCache> required_;
  absl::flat_hash_map<MachineId, SeenSeconds> seen_;
  std::vector<LiveAgent> agents_;
  absl::flat_hash_map<AgentId, const LiveAgent*> agent_by_id_;
  absl::Time accrued_at_ = absl::InfinitePast();

  mutable absl::Mutex mutex_;
  std::shared_ptr<const LiveSnapshot> current_ ABSL_GUARDED_BY(mutex_);
  absl::Time refreshed_at_ ABSL_GUARDED_BY(mutex_) = absl::InfinitePast();

  StopFlag stop_;
  std::thread thread_;
};

}  // namespace bayward
