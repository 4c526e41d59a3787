// Faults that come back: how often an outage of a class is followed by another of that class soon after it
// was restored, which classes and machines that happens to most, and which troubles have come back again and
// again for longest. Pure: any thread may compute.
//
// A repeat begins less than 72 elapsed hours (kRepeatWithin) after the latest earlier outage with the same
// first-out class on the same machine was restored. Common practice, no source.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/history.h"
#include "server/model/ids.h"
#include "server/model/interval.h"

namespace bayward {

// What became of the outages restored, as somebody saw, in the window.
struct RepeatRow {
  std::optional<FaultClassNumber> fault_class;  // absent where classes are taken together
  std::optional<MachineId> machine;  // absent where machines are taken together
  int restored = 0;
  // Of restored: 72 h have passed since and no required time in them is unknown or was settled by a person.
  // Others tell nothing, also where a repeat was seen: to count those only would make the rate too high.
  // followed = repeats + held + no_wash.
  int followed = 0;
  int repeats = 0;  // of followed: the same class stopped the machine again
  int held = 0;  // no repeat, and at least one wash was completed with nothing blocking
  int no_wash = 0;  // no repeat, but nothing was washed: no success
  // repeats/followed with exact binomial limits (Clopper and Pearson 1934, Biometrika 26:404–413), which take
  // repeats as independent. Absent where followed is 0.
  std::optional<double> rate;
  std::optional<double> lower;
  std::optional<double> upper;
  int rank = 0;  // from 1
};

enum class RepeatGrouping : std::uint8_t { kAll, kClass, kMachine, kMachineAndClass };
enum class RepeatOrder : std::uint8_t {
  kRepeats,  // by number: where most is to be gained
  kLowerLimit,  // by what the rate is at least: where it is surest that repairs do not hold
};

struct RepeatOptions {
  RepeatGrouping grouping = RepeatGrouping::kClass;
  RepeatOrder order = RepeatOrder::kRepeats;
  std::optional<Origin> origin = Origin::kInternal;  // of the first-out; absent: any
  double confidence = 0.95;  // two-sided
};

// An outage of which it is not known which fault came first is not counted. Rows in descending order of the
// chosen measure, then of the other one, then by class and machine. `now` is the end of the timelines'
// extent. Errors: InvalidArgument for a confidence not between 0 and 1, windows not one per machine.
absl::StatusOr<std::vector<RepeatRow>> RankRepeats(std::span<const MachineTimeline* const> machines,
                                                   const Interval& window, absl::Time now,
                                                   const RepeatOptions& options = {});
// The same with each machine's own window (civil windows of sites in different zones).
absl::StatusOr<std::vector<RepeatRow>> RankRepeats(std::span<const MachineTimeline* const> machines,
                                                   std::span<const Interval> windows, absl::Time now,
                                                   const RepeatOptions& options = {});

// A trouble that one machine has had over and over: outages with the same first-out class, each begun less
// than a stated gap after the one before was restored, or was last seen. Counted whole, also outside the
// window.
struct Sore {
  MachineId machine;
  FaultClassNumber fault_class = 0;
  int outages = 0;
  int failures = 0;  // of them those that began a failure: a wash was completed since the one before
  absl::Time first;  // when the first outage began
  absl::Time last;  // when the last one began
  absl::Time until;  // when the last one was restored, or was last seen to go on
  bool open = false;
  absl::Duration down;  // required down time of all of them

  absl::Duration length() const { return until - first; }
};

struct SoreOptions {
  absl::Duration gap = absl::Hours(14 * 24);  // > 0; common practice, no source
  int outages_min = 3;  // >= 1
  std::optional<Origin> origin = Origin::kInternal;  // of the first-out; absent: any
};

// The chains some outage of which lies in or reaches into the window, longest first, then by outages, down
// time, machine and class. An outage of which it is not known which fault came first belongs to none. Errors:
// InvalidArgument for options out of range.
absl::StatusOr<std::vector<Sore>> FindSores(std::span<const MachineTimeline* const> machines,
                                            const Interval& window, absl::Time now,
                                            const SoreOptions& options = {});

}  // namespace bayward
