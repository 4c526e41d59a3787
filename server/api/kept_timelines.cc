#include "server/api/kept_timelines.h"

#include <utility>

#include "proto/common/status.h"
#include "server/api/timeline_reader.h"

namespace bayward {

std::vector<const MachineTimeline*> KeptTimelines::pointers() const {
  std::vector<const MachineTimeline*> all;
  for (const auto& timeline : timelines) all.push_back(timeline.get());
  return all;
}

absl::StatusOr<KeptTimelines> KeepTimelines(const FiguresSources& sources, const FiguresQuestion& question) {
  KeptTimelines kept;
  TimelineReader reader(sources.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        kept.total.Add(ComputeAccount(*timeline, question.WindowOf(machine)));
        kept.machines.push_back(&machine);
        kept.windows.push_back(question.WindowOf(machine));
        kept.timelines.push_back(std::move(timeline));
      }));
  return kept;
}

absl::StatusOr<double> ConfidenceOr(double asked, double fallback) {
  if (asked == 0) return fallback;
  if (!(asked > 0 && asked < 1)) {
    return InvalidArgument("confidence: expected a number between 0 and 1 such as {}, found {}", fallback, asked);
  }
  return asked;
}

}  // namespace bayward
