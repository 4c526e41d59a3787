#include "server/api/ranking_losses.h"

#include <algorithm>
#include <utility>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/grouping.h"

namespace bayward {
namespace {

// Of a row without a loss below all others.
double Measure(v1::RankBy by, const v1::RankingRow& row) {
  const bool money = by == v1::RANK_BY_LOST_MONEY;
  if (money ? !row.has_lost_money() : !row.has_lost_washes()) return -1;
  return money ? row.lost_money() : row.lost_washes();
}

}  // namespace

absl::StatusOr<RankingLosses> RankingLosses::Compute(const FiguresSources& sources, const FiguresQuestion& question,
                                                     v1::Grouping grouping) {
  const auto group_of = [grouping](const Site& site, const Machine& machine) {
    return GroupOf(grouping, site, machine);
  };
  RankingLosses losses;
  for (const std::string& region : RegionsOf(question)) {
    BAYWARD_ASSIGN_OR_RETURN(
        const RegionHistory history,
        ReadRegion(sources, question, region, question.windows.hull.start - kDemandReach));
    BAYWARD_ASSIGN_OR_RETURN(const RegionDemand demand, FitRegion(history, question.windows.hull));
    BAYWARD_RETURN_IF_ERROR(AddClassLosses(history, demand, group_of, losses.losses_));
    if (!demand.not_known.empty()) {
      losses.notes_.push_back(fmt::format("Lost washes of {} are not known: {}.", region, demand.not_known));
    }
  }
  losses.notes_.push_back(
      "Lost washes are those that would have started in the down time of the outages a fault began; neighbours may "
      "have washed some of them. What shared plant stops counts at the machines it stops.");
  return losses;
}

void RankingLosses::Fill(v1::RankBy by, std::vector<v1::RankingRow>& rows) const {
  for (v1::RankingRow& row : rows) {
    const auto found = losses_.find({row.group(), row.name()});
    if (found == losses_.end()) continue;
    row.set_lost_washes(found->second.washes);
    if (found->second.currency.empty()) continue;
    row.set_lost_money(found->second.money);
    row.set_currency(found->second.currency);
  }
  if (by != v1::RANK_BY_LOST_WASHES && by != v1::RANK_BY_LOST_MONEY) return;
  std::stable_sort(rows.begin(), rows.end(), [by](const v1::RankingRow& a, const v1::RankingRow& b) {
    return Measure(by, a) > Measure(by, b);
  });
  double share = 0;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    share += rows[i].share();
    rows[i].set_rank(static_cast<std::uint32_t>(i + 1));
    rows[i].set_cumulative_share(share);
  }
}

}  // namespace bayward
