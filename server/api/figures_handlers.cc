#include "server/api/figures_handlers.h"

#include <algorithm>
#include <map>
#include <utility>
#include <vector>

#include "proto/common/status.h"
#include "server/api/figures_question.h"
#include "server/api/grouping.h"
#include "server/api/periods.h"
#include "server/api/target_budget.h"
#include "server/api/timeline_reader.h"

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

  void Add(const Site& site, const Machine& machine, const MachineTimeline& timeline, const Interval& window) {
    if (rule_.step == v1::STEP_UNSPECIFIED) return;
    const std::string group = GroupOf(grouping_, site, machine);
    for (const Period& period : PeriodsOf(site.calendar, window, rule_)) {
      const TimeAccount account = ComputeAccount(timeline, period.interval);
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

}  // namespace

absl::StatusOr<v1::GetAvailabilityResponse> FiguresHandlers::GetAvailability(
    const Caller&, const v1::GetAvailabilityRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const double confidence, ConfidenceOf(request));
  BAYWARD_ASSIGN_OR_RETURN(const v1::Grouping grouping, GroupingOr(request.grouping(), v1::GROUPING_MACHINE));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  BAYWARD_ASSIGN_OR_RETURN(const PeriodRule rule, PeriodRuleOf(request));

  std::map<std::string, GroupAccount> by_group;
  GroupAccount total{.group = "total"};
  Series series(rule, grouping);
  // A rolling row reaches back before the window; a day has at most 25 hours.
  const absl::Time from = question.windows.hull.start - absl::Hours(25) * rule.rolling_days;
  TimelineReader reader(sources_.histories, *question.fleet, from, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        const Site& site = *question.fleet->FindSite(machine.site);
        const TimeAccount account = ComputeAccount(*timeline, question.WindowOf(machine));
        const TargetAccount target =
            AccountAgainstTargets(site, machine, *timeline, question.windows.whole.at(machine.site));
        const std::string group = GroupOf(grouping, site, machine);
        for (GroupAccount* sum : {&by_group.try_emplace(group, GroupAccount{.group = group}).first->second, &total}) {
          sum->Add(account);
          sum->target += target;
        }
        series.Add(site, machine, *timeline, question.WindowOf(machine));
      }));
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
  return response;
}

}  // namespace bayward
