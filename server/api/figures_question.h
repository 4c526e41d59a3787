// What every figure starts from: the fleet, the machines asked about, the window at their sites, now. A plain
// value, private to the figures handlers.
#pragma once

#include <memory>

#include "absl/status/statusor.h"
#include "server/api/availability_rows.h"
#include "server/api/figures_handlers.h"
#include "server/api/scope.h"
#include "server/api/window.h"

namespace bayward {

struct FiguresQuestion {
  std::shared_ptr<const Fleet> fleet;
  Selection selection;
  SiteWindows windows;
  absl::Time now;

  const Interval& WindowOf(const Machine& machine) const { return windows.of.at(machine.site); }
};

absl::StatusOr<FiguresQuestion> AskFigures(const FiguresSources& sources, const v1::Scope& scope,
                                           const v1::Window& window);

ReportFacts FactsOf(const FiguresQuestion& question, const FiguresSources& sources);

}  // namespace bayward
