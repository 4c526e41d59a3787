// One event of one machine in the form the timeline folds: validated, its times corrected, its class's traits resolved.
#pragma once

#include <cstdint>
#include <string>
#include <variant>
#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"

namespace bayward {

struct FaultFact {
  FaultClassNumber fault_class = 0;
  Effect effect = Effect::kBlocking;
  Origin origin = Origin::kInternal;
  std::uint32_t priority = 0;
  std::string raw_code;
  std::string raw_text;
};

struct ObservationStartedFact {};
struct ObservationLostFact {
  absl::Time from;  // InfinitePast: the agent cannot tell
  std::uint8_t reason = 0;  // bayward.v1.LossReason
};
struct FaultRaisedFact {
  FaultFact fault;
};
struct FaultClearedFact {
  FaultClassNumber fault_class = 0;
  std::uint32_t further_raises = 0;
};
struct CycleStartedFact {
  std::string cycle;
  std::string programme;
  std::uint8_t sold_as = 0;
  std::uint8_t paid_by = 0;
};
struct CycleFinishedFact {
  Cycle cycle;  // started_at: effective_at − duration, or InfinitePast; provenance not set
};
struct ModeChangedFact {
  Mode mode = Mode::kInService;
  ModeReason reason = ModeReason::kNone;
};
struct SnapshotFact {
  std::vector<FaultFact> faults;
  Mode mode = Mode::kInService;
  ModeReason reason = ModeReason::kNone;
  std::vector<std::string> open_cycles;
};
struct ClockSteppedFact {
  absl::Time from;
  absl::Time to;
};
// Events of this stretch do not exist any more: dropped by the agent, or lost by the server.
struct DataMissingFact {
  Interval stretch;
};
// An event of this machine could not be accepted: its state is unknown from here to its next snapshot.
struct RejectedFact {};

struct MachineEvent {
  EventRef ref;
  absl::Time effective_at;  // when the signal changed
  absl::Time recorded_at;   // when the agent recorded it
  absl::Time received_at;
  bool rehearsal = false;
  std::variant<ObservationStartedFact, ObservationLostFact, FaultRaisedFact, FaultClearedFact,
               CycleStartedFact, CycleFinishedFact, ModeChangedFact, SnapshotFact,
               ClockSteppedFact, DataMissingFact, RejectedFact>
      what;
};

}  // namespace bayward
