// Brings machines' timelines from the store, a batch at a time, so that a large fleet's history is never in
// memory as a whole. One thread at a time.
#pragma once

#include <functional>
#include <memory>
#include <span>
#include <vector>

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/fleet.h"
#include "server/store/history_store.h"

namespace bayward {

inline constexpr std::size_t kMachinesABatch = 64;

class TimelineReader {
 public:
  using Visitor = std::function<void(const Machine&, std::unique_ptr<MachineTimeline>)>;

  // The timelines end at `now` and begin no later than `from`, earlier where the machines' material does, so
  // that an outage keeps its own beginning.
  TimelineReader(HistoryStore& histories, const Fleet& fleet, absl::Time from, absl::Time now)
      : histories_(histories), fleet_(fleet), from_(from), now_(now) {}

  // Calls `visit` for each machine in order. The store's error ends it.
  absl::Status Read(std::span<const Machine* const> machines, const Visitor& visit);

 private:
  absl::Status ReadBatch(std::span<const Machine* const> machines, const Visitor& visit);

  HistoryStore& histories_;
  const Fleet& fleet_;
  const absl::Time from_;
  const absl::Time now_;
};

}  // namespace bayward
