// Reads one delivered entry: checks it, corrects its times, resolves its fault class's traits. What cannot be accepted
// comes back with the reason, never an exception. One thread per reader.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "absl/time/time.h"
#include "bayward/v1/event.pb.h"
#include "server/model/machine_event.h"

namespace bayward {

inline constexpr std::size_t kEventBytesMax = 16 * 1024;
inline constexpr absl::Duration kAheadMax = absl::Minutes(5);
inline constexpr absl::Duration kEffectiveBeforeMax = absl::Hours(1);

struct ReadContext {
  EpochId epoch;
  absl::Time received_at;                      // the database's clock
  std::optional<absl::Duration> clock_offset;  // UTC minus the agent's monotonic clock, where known
};

// Why an event was not accepted. `reason` is one word for grouping, `detail` a sentence for a person.
struct Rejection {
  std::string reason;
  std::string detail;
};

struct ReadEvent {
  std::uint64_t sequence = 0;
  std::uint64_t last_sequence = 0;  // the same but for a tombstone
  std::string_view payload;         // as delivered
  std::optional<Rejection> rejection;

  // Set where there is no rejection; `machine` and `event.effective_at` as far as they could be read otherwise.
  std::string machine;  // key within the site; empty for a tombstone
  MachineEvent event;
  absl::Time occurred_at;
  std::int16_t kind = 0;     // field number in Event.what
  bool clock_error = false;  // its time was too far ahead: stored at its receipt
  bool affects_state = true;  // whether its loss leaves the machine's state unknown
  // Only where it folds into the timeline; meters, sales, notes, steps and signals are kept and that is all.
  bool folds = false;

  // Of a tombstone.
  bool is_tombstone = false;
  v1::TombstoneKind tombstone_kind = v1::TOMBSTONE_KIND_UNSPECIFIED;
  std::vector<std::string> tombstone_machines;
  std::string tombstone_reason;
};

class EventReader {
 public:
  // `payload` must outlive the result.
  ReadEvent Read(std::uint64_t sequence, std::string_view payload, const ReadContext& context);

 private:
  v1::Event event_;  // reused, so that its memory is
};

}  // namespace bayward
