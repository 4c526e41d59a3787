#include <algorithm>
#include <string>
#include <utility>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/grouping.h"
#include "server/api/kept_timelines.h"
#include "server/api/region_losses.h"

namespace bayward {
namespace {

constexpr double kDefaultConfidence = 0.90;

void SetWashes(const Loss& loss, v1::Estimate& estimate) {
  estimate.set_value(loss.washes);
  estimate.set_lower(loss.lower);
  estimate.set_upper(loss.upper);
}

void SetMoney(const Loss& loss, v1::Estimate& estimate) {
  estimate.set_value(loss.money);
  estimate.set_lower(loss.money_lower);
  estimate.set_upper(loss.money_upper);
}

// What a question's regions have in common, gathered one after the other.
class LossAnswer {
 public:
  LossAnswer(const v1::EstimateLossesRequest& request, v1::Grouping grouping, double confidence,
             const FiguresQuestion& question)
      : request_(request), question_(question), grouping_(grouping), confidence_(confidence), draws_(confidence) {}

  absl::Status AddRegion(const RegionHistory& history) {
    BAYWARD_ASSIGN_OR_RETURN(const RegionDemand demand, FitRegion(history, question_.windows.hull));
    if (!demand.not_known.empty()) NoteNotKnown(history, demand.not_known);
    const auto group_of = [this](const Site& site, const Machine& machine) {
      return GroupOf(grouping_, site, machine);
    };
    BAYWARD_RETURN_IF_ERROR(draws_.AddGross(history, demand, group_of, gross_));
    BAYWARD_RETURN_IF_ERROR(draws_.AddNet(history, demand, question_.now, net_));
    BAYWARD_RETURN_IF_ERROR(draws_.AddNow(history, question_.now, now_));
    if (request_.with_backtest()) {
      BAYWARD_RETURN_IF_ERROR(draws_.AddHidden(history, question_.windows.hull.end, hidden_));
    }
    if (!demand.periods.empty()) {
      for (const MachineDemand& machine : demand.periods.back().model.machines) {
        learned_.hours_used += machine.hours_used;
        learned_.hours_left_out += machine.hours_left_out;
      }
    }
    for (const RegionSite& site : history.sites) {
      if (site.asked && !site.ValueBefore(site.window.end).price) ++sites_without_price_;
    }
    never_wash_ += history.asked_that_never_wash;
    Join(history.total);
    return absl::OkStatus();
  }

  absl::StatusOr<v1::EstimateLossesResponse> Finish(const ReportFacts& facts) {
    for (const auto& [name, sums] : gross_) AddGrossRow(name, sums);
    for (const auto& [site, sums] : net_) AddNetRow(site, sums);
    std::stable_sort(now_.begin(), now_.end(), [](const v1::LossNowRow& a, const v1::LossNowRow& b) {
      const double money_a = a.money_per_hour().value();
      const double money_b = b.money_per_hour().value();
      return money_a != money_b ? money_a > money_b : a.washes_per_hour().value() > b.washes_per_hour().value();
    });
    for (v1::LossNowRow& row : now_) *response_.add_now() = std::move(row);
    if (request_.with_backtest()) {
      BAYWARD_ASSIGN_OR_RETURN(const LossJudgement judged, JudgeLosses(hidden_, BlockKind::kUpTime, confidence_));
      v1::LossBacktest& backtest = *response_.mutable_backtest();
      backtest.set_blocks(static_cast<std::uint32_t>(judged.blocks));
      backtest.set_coverage(judged.coverage);
      backtest.set_above(static_cast<std::uint32_t>(judged.above));
      backtest.set_below(static_cast<std::uint32_t>(judged.below));
      backtest.set_bias(judged.bias);
      backtest.set_verdict(LossVerdictWords(judged.verdict));
    }
    SetWindow(question_, response_);
    response_.set_confidence(confidence_);
    AddNotes(facts);
    return std::move(response_);
  }

 private:
  void Join(const GroupAccount& region) {
    total_.machines += region.machines;
    total_.provisional_machines += region.provisional_machines;
    total_.account += region.account;
  }

  void NoteNotKnown(const RegionHistory& history, const std::string& reason) {
    v1::DemandNotKnown& row = *response_.add_not_known();
    row.set_region(history.region);
    row.set_machines(history.machines.empty() ? history.asked_that_never_wash : history.asked_that_wash);
    row.set_reason(reason);
  }

  void AddGrossRow(const std::string& name, const GrossSums& sums) {
    v1::GrossLossRow& row = *response_.add_gross();
    row.set_group(name);
    row.set_machines(sums.machines);
    row.set_down_hours(sums.down_hours);
    row.set_withheld_hours(sums.withheld_hours);
    const Loss down = sums.down.Told(confidence_);
    const Loss withheld = sums.withheld.Told(confidence_);
    SetWashes(down, *row.mutable_down_washes());
    SetWashes(withheld, *row.mutable_withheld_washes());
    several_currencies_ = several_currencies_ || sums.down.several_currencies();
    if (sums.down.currency().empty()) return;
    row.set_currency(sums.down.currency());
    SetMoney(down, *row.mutable_down_money());
    SetMoney(withheld, *row.mutable_withheld_money());
  }

  void AddNetRow(const std::string& site, const NetSums& sums) {
    v1::NetLossRow& row = *response_.add_net();
    row.set_site(site);
    row.set_expected(sums.expected);
    row.set_observed(static_cast<std::uint64_t>(sums.observed));
    const Loss loss = sums.all.Told(confidence_);
    SetWashes(loss, *row.mutable_washes());
    if (const double gross = sums.down + sums.withheld; gross > 0) {
      row.set_down_washes(loss.washes * sums.down / gross);
      row.set_withheld_washes(loss.washes * sums.withheld / gross);
    }
    if (sums.all.currency().empty()) return;
    row.set_currency(sums.all.currency());
    SetMoney(loss, *row.mutable_money());
  }

  void AddNotes(const ReportFacts& facts) {
    const auto note = [this](std::string text) { response_.add_notes(std::move(text)); };
    note(
        "Gross: the washes that would have started on a machine while it was down or withheld; neighbours may have "
        "washed some of them. Net: what all machines of a site washed less than expected over each loss and the 48 h "
        "after it, so that who went next door or came back is not lost.");
    note(fmt::format(
        "Demand is learned in each region from the hours in which all washing machines of a site were ready, from 26 "
        "weeks before the window on, {}.",
        question_.windows.hull.length() <= kOneFitMax ? "as known when the window began"
                                                      : "anew for each week of the window as known when it began"));
    note(fmt::format(
        "Limits hold what chance and the estimate leave open, with a probability of {:g} %. In sums, sites and weeks "
        "are taken as independent of each other.",
        confidence_ * 100));
    if (never_wash_ > 0) {
      note(fmt::format(
          "{} of the machines are of a kind that never washes: what their stops cost counts at the machines that "
          "they stop.",
          never_wash_));
    }
    if (sites_without_price_ > 0) {
      note(fmt::format("{} sites have no price: what was lost there is in the washes and in no money.",
                       sites_without_price_));
    }
    if (several_currencies_) note("Money of several currencies is not added up: group by site to see it.");
    if (const std::string left_out = LeftOutNote(learned_, {}); !left_out.empty()) {
      note("Of what demand is learned from, " + left_out + ".");
    }
    for (std::string& common : CommonNotes(total_, facts)) note(std::move(common));
  }

  const v1::EstimateLossesRequest& request_;
  const FiguresQuestion& question_;
  const v1::Grouping grouping_;
  const double confidence_;
  LossDraws draws_;
  std::map<std::string, GrossSums> gross_;
  std::map<std::string, NetSums> net_;
  std::vector<v1::LossNowRow> now_;
  std::vector<JudgedBlock> hidden_;
  MachineDemand learned_;  // its counts of hours alone
  GroupAccount total_{.group = "total"};
  std::uint32_t never_wash_ = 0;
  int sites_without_price_ = 0;
  bool several_currencies_ = false;
  v1::EstimateLossesResponse response_;
};

}  // namespace

absl::StatusOr<v1::EstimateLossesResponse> FiguresHandlers::EstimateLosses(
    const Caller&, const v1::EstimateLossesRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const double confidence, ConfidenceOr(request.confidence(), kDefaultConfidence));
  BAYWARD_ASSIGN_OR_RETURN(const v1::Grouping grouping, GroupingOr(request.grouping(), v1::GROUPING_MACHINE));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  const Interval& hull = question.windows.hull;
  absl::Time from = hull.start - kDemandReach;
  if (request.with_backtest()) from = std::min(from, hull.end - absl::Hours(24 * 7 * kHiddenWeeks) - kDemandReach);
  LossAnswer answer(request, grouping, confidence, question);
  for (const std::string& region : RegionsOf(question)) {
    BAYWARD_ASSIGN_OR_RETURN(const RegionHistory history, ReadRegion(sources_, question, region, from));
    BAYWARD_RETURN_IF_ERROR(answer.AddRegion(history));
  }
  return answer.Finish(FactsOf(question, sources_));
}

}  // namespace bayward
