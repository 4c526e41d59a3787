// All the timelines a question asks about, for figures that look at several machines at once. One thread.
#pragma once

#include <memory>
#include <vector>

#include "absl/status/statusor.h"
#include "server/api/availability_rows.h"
#include "server/api/figures_question.h"
#include "server/figures/availability.h"

namespace bayward {

struct KeptTimelines {
  std::vector<const Machine*> machines;
  std::vector<std::unique_ptr<MachineTimeline>> timelines;  // one for each machine
  std::vector<Interval> windows;
  GroupAccount total{.group = "total"};

  std::vector<const MachineTimeline*> pointers() const;
};

absl::StatusOr<KeptTimelines> KeepTimelines(const FiguresSources& sources, const FiguresQuestion& question);

// The confidence asked for, `fallback` where none was. InvalidArgument outside (0, 1).
absl::StatusOr<double> ConfidenceOr(double asked, double fallback);

template <class Response>
void SetWindow(const FiguresQuestion& question, Response& response) {
  response.set_from_us(absl::ToUnixMicros(question.windows.hull.start));
  response.set_to_us(absl::ToUnixMicros(question.windows.hull.end));
  response.set_as_of_us(absl::ToUnixMicros(question.now));
}

}  // namespace bayward
