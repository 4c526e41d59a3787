#include <map>
#include <memory>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/grouping.h"
#include "server/api/ranking_rows.h"
#include "server/api/timeline_reader.h"
#include "server/figures/ranking.h"

namespace bayward {
namespace {

absl::StatusOr<RankBy> RankByOf(v1::RankBy asked) {
  switch (asked) {
    case v1::RANK_BY_UNSPECIFIED:
    case v1::RANK_BY_FIRST_OUT: return RankBy::kFirstOut;
    case v1::RANK_BY_ALONE: return RankBy::kAlone;
    case v1::RANK_BY_PRESENT: return RankBy::kPresent;
    case v1::RANK_BY_OUTAGES: return RankBy::kOutages;
    case v1::RANK_BY_FAILURES: return RankBy::kFailures;
    default:
      return InvalidArgument("rank_by: expected first-out, alone, present, outages or failures, found {}",
                             static_cast<int>(asked));
  }
}

std::vector<std::string> Notes(const v1::RankFaultsRequest& request, const v1::RankFaultsResponse& response, const GroupAccount& total,
                               const ReportFacts& facts) {
  std::vector<std::string> notes;
  bool order_matters = false;
  bool order_unknown = false;
  for (const v1::RankingRow& row : response.rows()) {
    order_matters = order_matters || row.order_matters();
    order_unknown = order_unknown || row.name() == RankingName(kOrderNotObserved);
  }
  notes.push_back(
      "First-out hours are the down time of the outages a fault began, and sum to all down time. Alone is "
      "the "
      "least a fault costs, present the most.");
  if (request.with_gain()) {
    notes.push_back(
        "What availability would have been without a fault is no forecast, and several such gains do not add up. The "
        "higher figure also takes away the outages it began and the closures that began during it.");
  }
  if (request.with_window_before()) {
    notes.push_back(
        "The window before is as long a time just before this one, compared per required hour on machines that had to "
        "wash in both.");
  }
  if (order_matters) {
    notes.push_back(
        "Where the ranks by first-out and by present hours differ by more than 5 the order depends on "
        "attribution.");
  }
  if (order_unknown) {
    notes.push_back(
        "Order not observed: several faults were found active at once when watching began again.");
  }
  if (total.account.settled_down > absl::ZeroDuration()) {
    notes.push_back(fmt::format("Settled as down: {} of unknown time that people decided were down.",
                                HoursText(total.account.settled_down)));
  }
  if (total.account.unknown() > absl::ZeroDuration()) {
    notes.push_back(fmt::format("{} of required time are unknown: faults in them are not ranked.",
                                HoursText(total.account.unknown())));
  }
  for (std::string& note : CommonNotes(total, facts)) notes.push_back(std::move(note));
  return notes;
}

}  // namespace

absl::StatusOr<v1::RankFaultsResponse> FiguresHandlers::RankFaults(
    const Caller&, const v1::RankFaultsRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const RankBy by, RankByOf(request.rank_by()));
  BAYWARD_ASSIGN_OR_RETURN(const v1::Grouping grouping, GroupingOr(request.grouping(), v1::GROUPING_FLEET));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));

  std::map<std::string, RankedGroup> groups;
  GroupAccount total{.group = "total"};
  const Interval& hull = question.windows.hull;
  const absl::Time from = request.with_window_before() ? WindowBefore(hull).start : hull.start;
  TimelineReader reader(sources_.histories, *question.fleet, from, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        const Interval& window = question.WindowOf(machine);
        total.Add(ComputeAccount(*timeline, window));
        const std::string group = GroupOf(grouping, *question.fleet->FindSite(machine.site), machine);
        groups[group].Add(std::move(timeline), window);
      }));

  v1::RankFaultsResponse response;
  for (const auto& [name, group] : groups) {
    for (v1::RankingRow& row : group.Rows(name, by, request)) *response.add_rows() = std::move(row);
  }
  response.set_from_us(absl::ToUnixMicros(question.windows.hull.start));
  response.set_to_us(absl::ToUnixMicros(question.windows.hull.end));
  response.set_as_of_us(absl::ToUnixMicros(question.now));
  response.set_down_seconds(absl::ToDoubleSeconds(total.account.down));
  response.set_provisional(total.account.provisional);
  for (std::string& note : Notes(request, response, total, FactsOf(question, sources_)))
    response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
