// What the agent knows of one machine now: its faults, cycles and mode, and the events that come of their
// changes. Pure: instants are passed in; thread-compatible.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "agent/codebook/code_book.h"
#include "agent/conditioner/cycle_tracker.h"
#include "agent/conditioner/fault_conditioner.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

// Both clocks at one instant. Decisions are made on the monotonic one; the wall clock only dates what is
// reported, so that a step of it neither delays nor invents a fault.
struct Instant {
  absl::Time wall;
  absl::Duration monotonic;
};

class MachineWatch {
 public:
  MachineWatch(std::string machine, std::shared_ptr<const CodeBook> book);

  const std::string& machine() const { return machine_; }
  const CodeBook& book() const { return *book_; }
  FaultConditioner& faults() { return faults_; }
  CycleTracker& cycles() { return cycles_; }

  // In service where the controller says nothing else.
  void SetMode(v1::Mode mode, v1::ModeReason reason, absl::Duration now);
  // The mode as found: no event comes of it.
  void ResumeMode(v1::Mode mode, v1::ModeReason reason);

  // A cycle that just ended: aborted where the controller says so, or where it says nothing but a blocking
  // fault is active. The cause of an abort is the blocking fault that began first.
  CycleEnd EndOfCycle(bool aborted, bool told) const;
  // An id for a cycle that the controller gives none: from the start's UTC time and a count, so unique on the
  // machine.
  std::string NewCycleId(const Instant& now);

  // The events of all changes that are certain by `now`, with machine and effective_at, in the order they
  // happened; at one instant faults go first, then cycles, then the mode, so that a closure never hides the
  // fault it came with.
  std::vector<v1::Event> Advance(const Instant& now);

  v1::Snapshot Snapshot() const;

 private:
  struct ModeChange {
    v1::Mode mode;
    v1::ModeReason reason;
    absl::Duration at;
  };

  std::string machine_;
  std::shared_ptr<const CodeBook> book_;
  FaultConditioner faults_;
  CycleTracker cycles_;
  v1::Mode mode_ = v1::MODE_IN_SERVICE;
  v1::ModeReason reason_ = v1::MODE_REASON_UNSPECIFIED;
  std::vector<ModeChange> mode_changes_;
  std::uint64_t cycle_count_ = 0;
};

}  // namespace bayward
