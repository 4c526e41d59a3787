// The fair comparison over a question, for the handler and for the weekly list that is held. One thread at a time.
#pragma once

#include <set>
#include <string>

#include "absl/status/statusor.h"
#include "bayward/v1/figures.pb.h"
#include "server/api/figures_question.h"

namespace bayward {

inline constexpr double kComparisonConfidence = 0.95;

// By kind, the highest rate first. `listed_before`: full names of the machines on the list before, which leave it
// only when they are more likely than not no worse; empty for a list made afresh. Errors: the store's;
// InvalidArgument for a confidence outside (0, 1).
absl::StatusOr<v1::CompareMachinesResponse> CompareMachinesOver(const FiguresSources& sources,
                                                                const FiguresQuestion& question, double confidence,
                                                                const std::set<std::string>& listed_before);

}  // namespace bayward
