#include "server/api/figures_question.h"

#include <utility>

#include "proto/common/status.h"

namespace bayward {

absl::StatusOr<FiguresQuestion> AskFigures(const FiguresSources& sources, const v1::Scope& scope,
                                           const v1::Window& window) {
  FiguresQuestion question;
  question.fleet = sources.fleet();
  if (question.fleet == nullptr)
    return Unavailable("the declared fleet has not been read yet; ask again in a moment");
  question.now = sources.clock.Now();
  BAYWARD_ASSIGN_OR_RETURN(question.selection, ResolveScope(*question.fleet, scope));
  BAYWARD_ASSIGN_OR_RETURN(question.windows, ResolveWindow(window, question.selection.sites, question.now));
  return question;
}

ReportFacts FactsOf(const FiguresQuestion& question, const FiguresSources& sources) {
  return {question.windows.by_date, question.fleet->demonstration, sources.tzdata_version};
}

}  // namespace bayward
