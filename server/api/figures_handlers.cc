#include "server/api/figures_handlers.h"

#include <algorithm>
#include <map>
#include <utility>
#include <vector>

#include "proto/common/status.h"
#include "server/api/figures_question.h"
#include "server/api/grouping.h"
#include "server/api/periods.h"
#include "server/api/sampling_interval.h"
#include "server/api/shared_timelines.h"
#include "server/api/target_budget.h"

namespace bayward {
namespace {

constexpr double kDefaultConfidence = 0.90;
constexpr std::size_t kSeriesRowsMax = 50'000;

absl::StatusOr<double> ConfidenceOf(const v1::GetAvailabilityRequest& request) {
  const double confidence = request.confidence();
  if (confidence == 0) return kDefaultConfidence;
  if (!(confidence > 0 && confidence < 1)) {
    return InvalidArgument("confidence: expected a number between 0 and 1 such as 0.9, found {}", confidence);
  }
  return confidence;
}

// A series for each group, by period.
class Series {
 public:
  Series(const PeriodRule& rule, v1::Grouping grouping) : rule_(rule), grouping_(grouping) {}

  void Add(const Site& site, const Machine& machine, const BriefTimeline& brief, const Interval& window) {
    if (rule_.step == v1::STEP_UNSPECIFIED) return;
    const std::string group = GroupOf(grouping_, site, machine);
    for (const Period& period : PeriodsOf(site.calendar, window, rule_)) {
      const TimeAccount account = ComputeAccount(*brief.timeline, *brief.cycles, period.interval);
      groups_[group].try_emplace(period.first, GroupAccount{.group = group}).first->second.Add(account);
      total_.try_emplace(period.first, GroupAccount{.group = "total"}).first->second.Add(account);
    }
  }

  std::size_t rows() const { return (groups_.size() + 1) * total_.size(); }

  absl::Status Fill(double confidence, v1::GetAvailabilityResponse& response) const {
    for (const auto& [name, periods] : groups_) {
      BAYWARD_RETURN_IF_ERROR(FillOne(periods, confidence, response));
    }
    return FillOne(total_, confidence, response);
  }

 private:
  using Periods = std::map<absl::CivilDay, GroupAccount>;

  static absl::Status FillOne(const Periods& periods, double confidence, v1::GetAvailabilityResponse& response) {
    for (const auto& [first, account] : periods) {
      BAYWARD_ASSIGN_OR_RETURN(v1::AvailabilityRow row, MakeAvailabilityRow(account, confidence));
      row.set_period(absl::FormatCivilTime(first));
      *response.add_series() = std::move(row);
    }
    return absl::OkStatus();
  }

  const PeriodRule rule_;
  const v1::Grouping grouping_;
  std::map<std::string, Periods> groups_;
  Periods total_;
};

// Where the periods of each machine begin and end.
std::vector<std::vector<absl::Time>> EdgesOf(const FiguresQuestion& question, const PeriodRule& rule,
                                             const std::vector<const Machine*>& machines) {
  std::vector<std::vector<absl::Time>> edges(machines.size());
  if (rule.step == v1::STEP_UNSPECIFIED) return edges;
  std::map<SiteId, std::vector<absl::Time>> of_site;
  for (std::size_t i = 0; i < machines.size(); ++i) {
    const auto [found, is_new] = of_site.try_emplace(machines[i]->site);
    if (is_new) {
      const Site& site = *question.fleet->FindSite(machines[i]->site);
      for (const Period& period : PeriodsOf(site.calendar, question.WindowOf(*machines[i]), rule)) {
        found->second.insert(found->second.end(), {period.interval.start, period.interval.end});
      }
    }
    edges[i] = found->second;
  }
  return edges;
}

struct MachineAccount {
  TimeAccount time;
  TargetAccount target;
};
std::vector<MachineAccount> AccountsOf(const FiguresQuestion& question, const SharedTimelines& shared) {
  std::vector<MachineAccount> accounts(shared.machines.size());
  InParallel(accounts.size(), [&](std::size_t i) {
    const Machine& machine = *shared.machines[i];
    const BriefTimeline& brief = shared.timelines[i];
    accounts[i].time = ComputeAccount(*brief.timeline, *brief.cycles, shared.windows[i]);
    accounts[i].target =
        AccountAgainstTargets(*question.fleet->FindSite(machine.site), machine, *brief.timeline, brief.extent,
                              question.windows.whole.at(machine.site), question.now);
  });
  return accounts;
}

}  // namespace

absl::StatusOr<v1::GetAvailabilityResponse> FiguresHandlers::GetAvailability(
    const Caller&, const v1::GetAvailabilityRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const double confidence, ConfidenceOf(request));
  BAYWARD_ASSIGN_OR_RETURN(const v1::Grouping grouping, GroupingOr(request.grouping(), v1::GROUPING_MACHINE));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  BAYWARD_ASSIGN_OR_RETURN(const PeriodRule rule, PeriodRuleOf(request));

  // A rolling row reaches back before the window; a day has at most 25 hours.
  const absl::Time from = question.windows.hull.start - absl::Hours(25) * rule.rolling_days;
  BAYWARD_ASSIGN_OR_RETURN(SharedTimelines shared, ShareTimelines(sources_, question, from));
  BAYWARD_RETURN_IF_ERROR(DecideCycles(sources_, question, EdgesOf(question, rule, shared.machines),
                                       Counted::kFinished, shared));
  const std::vector<MachineAccount> accounts = AccountsOf(question, shared);
  std::map<std::string, GroupAccount> by_group;
  GroupAccount total{.group = "total"};
  Series series(rule, grouping);
  SamplingIntervals sampling(request.with_sampling_interval(), grouping);
  for (std::size_t i = 0; i < shared.machines.size(); ++i) {
    const Machine& machine = *shared.machines[i];
    const Site& site = *question.fleet->FindSite(machine.site);
    const std::string group = GroupOf(grouping, site, machine);
    for (GroupAccount* sum : {&by_group.try_emplace(group, GroupAccount{.group = group}).first->second, &total}) {
      sum->Add(accounts[i].time);
      sum->target += accounts[i].target;
    }
    series.Add(site, machine, shared.timelines[i], shared.windows[i]);
    sampling.Add(site, machine, *shared.timelines[i].timeline, shared.windows[i]);
  }
  if (series.rows() > kSeriesRowsMax) {
    return InvalidArgument("expected a series of at most {} rows, found {}: ask for longer periods or fewer groups",
                           kSeriesRowsMax, series.rows());
  }

  v1::GetAvailabilityResponse response;
  std::vector<GroupAccount> groups;
  for (auto& [name, group] : by_group) {
    BAYWARD_ASSIGN_OR_RETURN(*response.add_rows(), MakeAvailabilityRow(group, confidence));
    groups.push_back(std::move(group));
  }
  BAYWARD_ASSIGN_OR_RETURN(*response.mutable_total(), MakeAvailabilityRow(total, confidence));
  BAYWARD_RETURN_IF_ERROR(series.Fill(confidence, response));
  response.set_from_us(absl::ToUnixMicros(question.windows.hull.start));
  response.set_to_us(absl::ToUnixMicros(question.windows.hull.end));
  response.set_as_of_us(absl::ToUnixMicros(question.now));
  response.set_tzdata_version(sources_.tzdata_version);
  response.set_confidence(confidence);
  response.set_rolling_days(request.rolling_days());
  for (std::string& note : AvailabilityNotes(total, groups, FactsOf(question, sources_))) {
    response.add_notes(std::move(note));
  }
  BAYWARD_RETURN_IF_ERROR(sampling.Fill(response));
  return response;
}

}  // namespace bayward
