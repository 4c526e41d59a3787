// Questions that have no window but all that is at hand up to now, and the present in words from a machine's
// timeline. Plain values, private to the figures handlers.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "server/api/figures_question.h"
#include "server/figures/availability.h"

namespace bayward {

// As AskFigures, with a window of so much elapsed time before now at every site. 0: none, for what reads from the
// first event on, as a TimelineReader from now does.
absl::StatusOr<FiguresQuestion> AskAboutNow(const FiguresSources& sources, const v1::Scope& scope,
                                            absl::Duration before = absl::ZeroDuration());

// "up", "down: drive.track_obstructed since 14:02", as the live board says it, by what the timeline knows.
std::string PresentWords(const FiguresQuestion& question, const Machine& machine, const MachineTimeline& timeline);

}  // namespace bayward
