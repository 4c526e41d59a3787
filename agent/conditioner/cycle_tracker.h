// Follows a machine's wash cycles from start to end. Pure: instants are monotonic and passed in;
// thread-compatible.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "absl/time/time.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

struct CycleChange {
  bool started = false;  // else finished
  std::string id;
  std::string programme;
  absl::Duration at;  // monotonic
  v1::CycleOutcome outcome = v1::CYCLE_OUTCOME_UNSPECIFIED;
  v1::FaultClass abort_cause = v1::FAULT_CLASS_UNSPECIFIED;
  absl::Duration lasted;  // zero: its start was not seen

  bool operator==(const CycleChange&) const = default;
};

struct CycleEnd {
  v1::CycleOutcome outcome = v1::CYCLE_OUTCOME_COMPLETED;
  v1::FaultClass abort_cause = v1::FAULT_CLASS_UNSPECIFIED;
  std::string programme;  // where the start did not say it
};

class CycleTracker {
 public:
  // A cycle that is still open after `longest` is abandoned.
  explicit CycleTracker(absl::Duration longest) : longest_(longest) {}

  static constexpr std::size_t kOpenMax = 256;

  // A start of a cycle that is open already changes nothing. With kOpenMax open, the oldest is abandoned.
  void Start(const std::string& id, const std::string& programme, absl::Duration now);
  // One found under way: no start is reported, and its end states no duration.
  void StartUnseen(const std::string& id, const std::string& programme, absl::Duration now);
  // The end of a cycle that is not open is reported, with no duration.
  void Finish(const std::string& id, const CycleEnd& end, absl::Duration now);
  // The same, but nothing where it is not open: an end that comes after the cycle was abandoned.
  void FinishIfOpen(const std::string& id, const CycleEnd& end, absl::Duration now);
  // Its end was missed.
  void Abandon(const std::string& id, absl::Duration now);

  // What happened since the last call, those included that have lasted too long by `now`.
  std::vector<CycleChange> Advance(absl::Duration now);

  // Oldest first.
  std::vector<std::string> Open() const;

 private:
  struct Cycle {
    std::string id;
    std::string programme;
    absl::Duration started_at;
    bool start_seen = true;
  };
  std::vector<Cycle>::iterator Find(std::string_view id);
  void Close(std::vector<Cycle>::iterator cycle, const CycleEnd& end, absl::Duration now);

  absl::Duration longest_;
  std::vector<Cycle> open_;
  std::vector<CycleChange> changes_;
};

}  // namespace bayward
