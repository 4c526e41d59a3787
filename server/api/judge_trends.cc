#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/held_figures.h"
#include "server/api/trend_rows.h"

namespace bayward {

absl::StatusOr<v1::JudgeTrendsResponse> FiguresHandlers::JudgeTrends(const Caller&,
                                                                     const v1::JudgeTrendsRequest& request) const {
  if (!request.month().empty()) {
    if (sources_.held == nullptr) return NothingHeld();
    return sources_.held->Trends(request.month(), request.scope());
  }
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  return JudgeTrendsOf(sources_, question, request.level() == 0 ? kDefaultTrendLevel : request.level());
}

}  // namespace bayward
