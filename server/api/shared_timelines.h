// All the timelines a question asks about, kept between requests where a keeper is there: for figures that do not look at
// each cycle. Those that do take KeepTimelines (kept_timelines.h). One thread.
#pragma once

#include <functional>
#include <vector>

#include "absl/status/statusor.h"
#include "server/api/availability_rows.h"
#include "server/api/figures_question.h"
#include "server/live/brief_timeline.h"

namespace bayward {

struct SharedTimelines {
  std::vector<const Machine*> machines;
  // One for each machine. Beyond now they say nothing: every window ends there.
  std::vector<BriefTimeline> timelines;
  std::vector<Interval> windows;

  // Over the windows, without cycles.
  GroupAccount Total() const;
  // Of the total only what CommonNotes() asks: how many machines, and of how many it is provisional.
  GroupAccount Provisional() const;
  std::vector<const MachineTimeline*> pointers() const;
};

// From `from` or before; a window's own beginning where none is given.
absl::StatusOr<SharedTimelines> ShareTimelines(const FiguresSources& sources, const FiguresQuestion& question,
                                               absl::Time from);
absl::StatusOr<SharedTimelines> ShareTimelines(const FiguresSources& sources, const FiguresQuestion& question);

// Makes the numbers of cycles that are `counted` exact at the i-th machine's edges[i], beside those of its window.
absl::Status DecideCycles(const FiguresSources& sources, const FiguresQuestion& question,
                          std::vector<std::vector<absl::Time>> edges, Counted counted, SharedTimelines& shared);

// Calls `body` with 0 … count − 1, on two threads where there are many; `body` is called for each once, in any order.
void InParallel(std::size_t count, const std::function<void(std::size_t)>& body);

}  // namespace bayward
