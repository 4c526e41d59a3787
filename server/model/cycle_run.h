// Cycles that are alike and finished one after another, as one value: what most figures need of cycles, at a cost that
// does not follow their number.
#pragma once

#include <cstdint>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/interval.h"

namespace bayward {

// All finished within one hour of UTC, with no other event of the machine between them, so that hardly ever anything began
// or ended among them.
struct CycleRun {
  std::int64_t first = 0;  // Unix second in which the first finished
  std::int64_t last = 0;   // and the last; >= first
  // Where their starts are known: bounds of how long they took, in whole minutes.
  std::uint32_t shortest_minutes = 0;
  std::uint32_t longest_minutes = 0;
  std::uint32_t count = 0;
  CycleOutcome outcome = CycleOutcome::kCompleted;
  bool rehearsal = false;
  bool start_known = false;
  // Microseconds after the second `first` at which it finished, of one aborted: often the very instant of a fault. -1: not
  // told.
  std::int32_t micros = -1;

  // Every one finished in it, the first in its first second, the last in its last.
  Interval finished() const {
    const absl::Time begins = absl::FromUnixSeconds(first);
    if (micros < 0) return {begins, absl::FromUnixSeconds(last + 1)};
    return {begins + absl::Microseconds(micros), begins + absl::Microseconds(micros + 1)};
  }
  bool operator==(const CycleRun&) const = default;
};

}  // namespace bayward
