#include <map>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/grouping.h"
#include "server/api/ranking_losses.h"
#include "server/api/ranking_rows.h"
#include "server/api/shared_timelines.h"
#include "server/figures/ranking.h"

namespace bayward {
namespace {

absl::StatusOr<RankBy> RankByOf(v1::RankBy asked) {
  switch (asked) {
    case v1::RANK_BY_UNSPECIFIED:
    case v1::RANK_BY_LOST_WASHES:  // ranked anew once the losses are known
    case v1::RANK_BY_LOST_MONEY:
    case v1::RANK_BY_FIRST_OUT: return RankBy::kFirstOut;
    case v1::RANK_BY_ALONE: return RankBy::kAlone;
    case v1::RANK_BY_PRESENT: return RankBy::kPresent;
    case v1::RANK_BY_OUTAGES: return RankBy::kOutages;
    case v1::RANK_BY_FAILURES: return RankBy::kFailures;
    default:
      return InvalidArgument("rank_by: expected first-out, alone, present, outages, failures, lost washes or lost money, found {}",
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
      "First-out hours are the down time of the outages a fault began, and sum to all down time. Alone is the least "
      "a fault costs, present the most.");
  if (request.with_gain()) {
    notes.push_back(
        "What availability would have been without a fault is no forecast, and several such gains do not add up. The "
        "higher figure also takes away the outages it began and the closures that began during it. To foresee the "
        "next period multiply by the factor for next time: what ranks first was in part bad luck.");
  }
  if (request.with_window_before()) {
    notes.push_back(
        "The window before is as long a time just before this one, compared per required hour on machines that had "
        "to wash in both.");
  }
  if (order_matters) {
    notes.push_back(
        "Where the ranks by first-out and by present hours differ by more than 5 the order depends on attribution.");
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

  const Interval& hull = question.windows.hull;
  const absl::Time from = request.with_window_before() ? WindowBefore(hull).start : hull.start;
  BAYWARD_ASSIGN_OR_RETURN(const SharedTimelines shared, ShareTimelines(sources_, question, from));
  const GroupAccount total = shared.Total();
  std::map<std::string, RankedGroup> groups;
  for (std::size_t i = 0; i < shared.machines.size(); ++i) {
    const Machine& machine = *shared.machines[i];
    groups[GroupOf(grouping, *question.fleet->FindSite(machine.site), machine)].Add(shared.timelines[i].timeline,
                                                                                    shared.windows[i]);
  }

  v1::RankFaultsResponse response;
  const bool by_loss =
      request.rank_by() == v1::RANK_BY_LOST_WASHES || request.rank_by() == v1::RANK_BY_LOST_MONEY;
  std::optional<RankingLosses> losses;
  if (request.with_losses() || by_loss) {
    BAYWARD_ASSIGN_OR_RETURN(losses, RankingLosses::Compute(sources_, question, grouping));
  }
  for (const auto& [name, group] : groups) {
    std::vector<v1::RankingRow> rows = group.Rows(name, by, request);
    if (losses) losses->Fill(request.rank_by(), rows);
    for (v1::RankingRow& row : rows) *response.add_rows() = std::move(row);
  }
  response.set_from_us(absl::ToUnixMicros(question.windows.hull.start));
  response.set_to_us(absl::ToUnixMicros(question.windows.hull.end));
  response.set_as_of_us(absl::ToUnixMicros(question.now));
  response.set_down_seconds(absl::ToDoubleSeconds(total.account.down));
  response.set_provisional(total.account.provisional);
  for (std::string& note : Notes(request, response, total, FactsOf(question, sources_)))
    response.add_notes(std::move(note));
  if (losses) {
    for (const std::string& note : losses->notes()) response.add_notes(note);
  }
  return response;
}

}  // namespace bayward
