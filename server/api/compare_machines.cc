#include "server/api/compare_machines.h"

#include <map>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/compared_kind.h"
#include "server/api/figures_handlers.h"
#include "server/api/held_figures.h"
#include "server/api/kept_timelines.h"
#include "server/api/shared_timelines.h"

namespace bayward {
namespace {

void AddNotes(const ComparisonOptions& options, v1::CompareMachinesResponse& response) {
  response.add_notes(
      "Rates are failures per 1,000 up hours or wash starts, as named at each kind, without repeats within 72 h. A "
      "machine's rate is drawn towards that of its kind as far as its few failures may be chance; the interval "
      "allows for that.");
  response.add_notes(
      fmt::format("Worse: a rate above {:g} times that of the kind. Of the machines listed as worse at most 10 % are "
                  "expected not to be.",
                  options.worse_factor));
  response.add_notes(
      "Not to be listed is no proof of being as good as the others: in simulated kinds of 30 machines the list holds "
      "5 % of the truly worse at 2 failures a machine, 18 % at 5, 31 % at 10, 44 % at 20. A longer window finds "
      "more.");
}

}  // namespace

absl::StatusOr<v1::CompareMachinesResponse> CompareMachinesOver(const FiguresSources& sources,
                                                                const FiguresQuestion& question, double confidence,
                                                                const std::set<std::string>& listed_before) {
  ComparisonOptions options;
  options.confidence = confidence;
  BAYWARD_ASSIGN_OR_RETURN(SharedTimelines shared, ShareTimelines(sources, question));
  std::vector<std::vector<absl::Time>> counted_at;
  for (std::size_t i = 0; i < shared.machines.size(); ++i) {
    counted_at.push_back(CountedAt(*shared.machines[i], *shared.timelines[i].timeline, shared.windows[i]));
  }
  BAYWARD_RETURN_IF_ERROR(DecideCycles(sources, question, std::move(counted_at), Counted::kStartedToo, shared));
  std::vector<MachineToCompare> taken(shared.machines.size());
  InParallel(taken.size(), [&](std::size_t i) {
    const BriefTimeline& brief = shared.timelines[i];
    taken[i] = TakeDown(*shared.machines[i], *brief.timeline, *brief.cycles, shared.windows[i]);
    taken[i].listed_before = listed_before.contains(shared.machines[i]->full_name);
  });
  std::map<std::string, std::vector<MachineToCompare>> kinds;
  int found_at_opening = 0;
  for (std::size_t i = 0; i < taken.size(); ++i) {
    found_at_opening += taken[i].found_at_opening;
    kinds[shared.machines[i]->kind].push_back(std::move(taken[i]));
  }
  v1::CompareMachinesResponse response;
  for (auto& [name, machines] : kinds) {
    BAYWARD_ASSIGN_OR_RETURN(*response.add_kinds(), CompareKind(name, std::move(machines), options));
  }
  SetWindow(question, response);
  response.set_confidence(options.confidence);
  response.set_worse_factor(options.worse_factor);
  AddNotes(options, response);
  if (found_at_opening > 0) {
    response.add_notes(
        fmt::format("{} failures that were found at opening are left out of the rates: they began while no "
                    "exposure is counted.",
                    found_at_opening));
  }
  for (std::string& note : CommonNotes(shared.Provisional(), FactsOf(question, sources))) response.add_notes(std::move(note));
  return response;
}

absl::StatusOr<v1::CompareMachinesResponse> FiguresHandlers::CompareMachines(
    const Caller&, const v1::CompareMachinesRequest& request) const {
  if (request.held()) {
    if (sources_.held == nullptr) return NothingHeld();
    return sources_.held->WorseMachines(request.scope());
  }
  BAYWARD_ASSIGN_OR_RETURN(const double confidence, ConfidenceOr(request.confidence(), kComparisonConfidence));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskFigures(sources_, request.scope(), request.window()));
  return CompareMachinesOver(sources_, question, confidence, {});
}

}  // namespace bayward
