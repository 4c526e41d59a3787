// Trend verdicts of a fleet with the laws fitted beside them, for whoever asks and for what is held each month.
// Thread-safe.
#pragma once

#include "absl/status/statusor.h"
#include "bayward/v1/figures.pb.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"

namespace bayward {

inline constexpr double kDefaultTrendLevel = 0.05;

// `level` is one-sided, above 0 and below 0.5; the laws have two-sided limits at 1 − 2·level. Errors: InvalidArgument
// for the level; the store's.
absl::StatusOr<v1::JudgeTrendsResponse> JudgeTrendsOf(const FiguresSources& sources, const FiguresQuestion& question,
                                                      double level);

}  // namespace bayward
