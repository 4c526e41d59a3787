// How many cycles of a machine finished or started before any instant, from runs of cycles. Where an instant falls inside
// a run, the run's own cycles decide: Straddling() names it, Decide() takes them in. Copies share their parts. Immutable
// but for Decide(): any thread may read.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/history.h"
#include "server/model/interval.h"

namespace bayward {

// Numbers of cycles that count.
struct CycleSums {
  long finished = 0;      // of any outcome
  long start_known = 0;   // of finished
  long completed = 0;     // of finished
  long aborted = 0;       // of finished
  long contradictory = 0;  // of completed: while a blocking spell, external ones included, was active
  long started = 0;       // of any outcome, by when they started; by their finish where that is not known
};

// Alike cycles: one, or a run of them. Times to the microsecond.
struct CyclePart {
  Interval finished;  // they finished in [start, end]: both ends belong to it
  Interval started;   // and started in [start, end], where that is known
  std::uint32_t count = 0;
  CycleOutcome outcome = CycleOutcome::kCompleted;
  bool start_known = false;
  bool contradictory = false;

  static CyclePart Of(const Cycle& cycle, bool contradictory);
  bool IsOfSort(const Cycle& cycle) const {
    return cycle.outcome == outcome && (cycle.started_at != absl::InfinitePast()) == start_known;
  }
};

// Of which edges of runs an instant matters: whether only finishes are counted, or starts, too.
enum class Counted : std::uint8_t { kFinished, kStartedToo };

class CycleCounts {
 public:
  CycleCounts() : CycleCounts(std::vector<CyclePart>()) {}
  // In any order.
  explicit CycleCounts(std::vector<CyclePart> parts);
  // Of a timeline that has every cycle: nothing is left open.
  static CycleCounts Of(const MachineTimeline& timeline);

  // The parts that `at` falls into, so that it is not known how many of them come before it; none once decided.
  std::vector<CyclePart> Straddling(absl::Time at, Counted counted = Counted::kStartedToo) const;
  // `cycles`: all that count of the parts Straddling(at) named, perhaps with others. A part of which fewer are left than
  // it counted (old ones are dropped) lies as a whole where it began.
  void Decide(absl::Time at, std::span<const Cycle> cycles);

  // [start, end) of a window of which both ends are decided or straddle nothing.
  CycleSums Within(const Interval& window) const;
  // When the first one finished, to the second; InfiniteFuture where there is none.
  absl::Time first_finished() const { return first_finished_; }

  std::size_t bytes() const;

 private:
  struct Packed {
    std::int64_t first;             // finished, microseconds since 1970
    std::uint64_t lead : 40;        // from the earliest start to `first`, microseconds, at most 12 days
    std::uint64_t count : 20;
    std::uint64_t outcome : 2;
    std::uint64_t start_known : 1;
    std::uint64_t contradictory : 1;
    std::uint32_t finished_span;  // of a run, milliseconds rounded up
    std::uint32_t started_span;   // the same
  };
  struct Parts {
    std::vector<Packed> all;         // by `first`
    std::vector<CycleSums> through;  // of every kPartsABlock of them: the sums of all before, `started` excluded
    std::int64_t longest_run = 0;    // of all, finished
    std::int64_t longest_lead = 0;   // from the earliest start to the last finish
  };

  static std::int64_t LeadOf(const Packed& part) { return static_cast<std::int64_t>(part.lead); }
  static Packed Pack(const CyclePart& part);
  static CyclePart Unpack(const Packed& packed);
  static void Add(const Packed& part, CycleSums& sums);
  // Parts that began to finish before `at`, counted as a whole; those of which every one started before it.
  CycleSums Before(absl::Time at) const;
  CycleSums Plain(std::int64_t at) const;
  std::vector<Packed> StraddlingParts(std::int64_t at, Counted counted) const;

  std::shared_ptr<const Parts> parts_;
  absl::Time first_finished_ = absl::InfiniteFuture();
  absl::flat_hash_map<absl::Time, CycleSums> decided_;  // sums before an instant
};

// The machine's account with its cycles taken from `cycles`.
TimeAccount ComputeAccount(const MachineTimeline& timeline, const CycleCounts& cycles, const Interval& window);

}  // namespace bayward
