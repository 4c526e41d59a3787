#include <algorithm>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/kept_timelines.h"
#include "server/figures/comparison.h"
#include "server/figures/exposure.h"

namespace bayward {
namespace {

constexpr double kPerThousand = 1000;
constexpr double kDefaultConfidence = 0.95;

struct Compared {
  v1::ComparedMachineRow row;
  ExposedCount count;
};

Compared CountOf(const Machine& machine, const MachineTimeline& timeline, const Interval& window) {
  Compared compared;
  const TimeAccount account = ComputeAccount(timeline, window);
  const auto without_repeats = FailuresWithin(timeline, window, /*with_repeats=*/false).size();
  const auto all = FailuresWithin(timeline, window, /*with_repeats=*/true).size();
  v1::ComparedMachineRow& row = compared.row;
  row.set_machine(machine.full_name);
  row.set_failures(static_cast<std::uint32_t>(without_repeats));
  row.set_repeats(static_cast<std::uint32_t>(all - without_repeats));
  row.set_up_hours(absl::ToDoubleHours(account.observed_up()));
  if (row.up_hours() > 0) row.set_raw_rate(kPerThousand * row.failures() / row.up_hours());
  const absl::Duration observed = account.observed_up() + account.down;
  if (observed > absl::ZeroDuration()) row.set_down_share(absl::FDivDuration(account.down, observed));
  compared.count = {static_cast<int>(without_repeats), row.up_hours()};
  return compared;
}

void SetRates(const ComparedMachine& from, v1::ComparedMachineRow& row) {
  row.set_rate(kPerThousand * from.mean);
  row.set_rate_lower(kPerThousand * from.lower);
  row.set_rate_upper(kPerThousand * from.upper);
  row.set_probability_worse(from.probability_worse);
  row.set_expected_rank(from.expected_rank);
  row.set_rank_lower(static_cast<std::uint32_t>(from.rank_lower));
  row.set_rank_upper(static_cast<std::uint32_t>(from.rank_upper));
}

// Machines that were never up have no rate and stand at the end.
absl::StatusOr<v1::ComparedKind> CompareKind(const std::string& name, std::vector<Compared> machines,
                                             const ComparisonOptions& options) {
  v1::ComparedKind kind;
  kind.set_kind(name);
  std::stable_partition(machines.begin(), machines.end(), [](const Compared& m) { return m.count.exposure > 0; });
  std::vector<ExposedCount> counts;
  for (const Compared& machine : machines) {
    if (machine.count.exposure > 0) counts.push_back(machine.count);
  }
  BAYWARD_ASSIGN_OR_RETURN(const auto comparison, CompareMachines(counts, options));
  kind.set_too_few(!comparison.has_value());
  if (comparison) {
    kind.set_rate(kPerThousand * comparison->kind_rate);
    kind.set_rate_lower(kPerThousand * comparison->kind_rate_lower);
    kind.set_rate_upper(kPerThousand * comparison->kind_rate_upper);
    kind.set_pooled_rate(kPerThousand * comparison->pooled_rate);
    std::vector<double> worse;
    for (std::size_t i = 0; i < counts.size(); ++i) {
      SetRates(comparison->machines[i], machines[i].row);
      worse.push_back(comparison->machines[i].probability_worse);
    }
    BAYWARD_ASSIGN_OR_RETURN(const WorseList list, ListWorse(worse));
    for (const std::size_t i : list.listed) machines[i].row.set_listed(true);
    kind.set_expected_false_share(list.expected_false_share);
  }
  std::stable_sort(machines.begin(), machines.end(),
                   [](const Compared& a, const Compared& b) { return a.row.rate() > b.row.rate(); });
  for (Compared& machine : machines) *kind.add_machines() = std::move(machine.row);
  return kind;
}

}  // namespace

absl::StatusOr<v1::CompareMachinesResponse> FiguresHandlers::CompareMachines(
    const Caller&, const v1::CompareMachinesRequest& request) const {
  ComparisonOptions options;
  BAYWARD_ASSIGN_OR_RETURN(options.confidence, ConfidenceOr(request.confidence(), kDefaultConfidence));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  BAYWARD_ASSIGN_OR_RETURN(const KeptTimelines kept, KeepTimelines(sources_, question));
  std::map<std::string, std::vector<Compared>> kinds;
  for (std::size_t i = 0; i < kept.machines.size(); ++i) {
    kinds[kept.machines[i]->kind].push_back(CountOf(*kept.machines[i], *kept.timelines[i], kept.windows[i]));
  }
  v1::CompareMachinesResponse response;
  for (auto& [name, machines] : kinds) {
    BAYWARD_ASSIGN_OR_RETURN(*response.add_kinds(), CompareKind(name, std::move(machines), options));
  }
  SetWindow(question, response);
  response.set_confidence(options.confidence);
  response.set_worse_factor(options.worse_factor);
  response.add_notes(
      "Rates are failures per 1,000 up hours, without repeats within 72 h. A machine's rate is drawn towards that of its "
      "kind as far as its few failures may be chance; the interval allows for that.");
  response.add_notes(fmt::format(
      "Worse: a rate above {:g} times that of the kind. Of the machines listed as worse at most 10 % are expected not to "
      "be.", options.worse_factor));
  for (std::string& note : CommonNotes(kept.total, FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
