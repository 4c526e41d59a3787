// A machine's timeline and its cycles as numbers, made without looking at each cycle. Pure: any thread may compute.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/figures/cycle_counts.h"
#include "server/model/calendar.h"
#include "server/store/brief_histories.h"

namespace bayward {

struct BriefTimeline {
  // Everything as if made from every cycle, but for history.cycles: it only has those that tell whether a machine washed
  // since a fault cleared. Of a wash only the second in which it finished is true. The extent may reach beyond now.
  std::shared_ptr<const MachineTimeline> timeline;
  std::shared_ptr<const CycleCounts> cycles;
  Interval extent;
};

// Makes one: first asks for the single cycles it needs, which are few, then is given them.
class BriefTimelineMaker {
 public:
  BriefTimelineMaker(BriefHistory brief, bool count_rehearsal);

  // Disjoint, ascending.
  std::span<const CycleRange> needed() const { return needed_; }

  // `cycles`: for each range of needed() what the store has in it. May be called once.
  BriefTimeline Make(std::span<const std::vector<StoredCycle>> cycles, const Calendar& calendar, const Interval& extent);

 private:
  // A run that something began or ended in, to be replaced by its cycles.
  struct CutRun {
    CycleRun run;
    std::int32_t assignment = 0;
    Interval assigned;
  };
  class Taken;

  void Take(const AssignedRuns& of_assignment);
  bool NeedsSingles(const CycleRun& run, const Interval& assigned) const;
  void AddCut(const CutRun& cut, std::span<const std::vector<StoredCycle>> cycles, Taken& taken) const;

  const bool count_rehearsal_;
  BriefHistory brief_;
  IntervalSet voided_;
  IntervalSet blocked_;
  std::vector<absl::Time> ends_;     // where blocking faults and modes end; ascending
  std::vector<absl::Time> borders_;  // these, and the ends of voided and of blocked time; ascending
  std::vector<absl::Time> looked_until_;  // kRepeatWithin after these ends; ascending
  std::vector<CycleRun> whole_;  // runs that need no looking into and count
  std::vector<CutRun> cut_;
  std::vector<CycleRange> needed_;
};

// The same machine at a later `observed_until`, where nothing else has changed. Absent where that is not enough to tell:
// something blocks to the end.
std::optional<BriefTimeline> ObservedFurther(const BriefTimeline& known, absl::Time observed_until,
                                             const Calendar& calendar, const Interval& extent);

std::size_t BytesOf(const BriefTimeline& timeline);

}  // namespace bayward
