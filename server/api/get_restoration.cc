#include <algorithm>
#include <map>
#include <string>
#include <utility>

#include "fmt/format.h"
#include "proto/common/fault_traits.h"
#include "proto/common/status.h"
#include "server/api/covered_hours.h"
#include "server/api/figures_handlers.h"
#include "server/api/kept_timelines.h"
#include "server/api/shared_timelines.h"
#include "server/figures/restoration.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

constexpr double kDefaultConfidence = 0.95;

std::uint32_t Count(long count) { return static_cast<std::uint32_t>(count); }

void SetCounts(const Restoration& restoration, v1::GetRestorationResponse& response) {
  response.set_begun(Count(restoration.begun));
  response.set_restored(Count(restoration.restored));
  response.set_open(Count(restoration.open));
  response.set_lost_sight(Count(restoration.lost_sight));
  response.set_closed(Count(restoration.closed));
  response.set_retired(Count(restoration.retired));
  response.set_beginning_not_seen(Count(restoration.beginning_not_seen));
  response.set_machines(Count(restoration.machines));
  if (restoration.mean_down_time) {
    response.set_mean_down_seconds(absl::ToDoubleSeconds(*restoration.mean_down_time));
  }
}

void SetClock(const RestorationClock& clock, v1::GetRestorationResponse& response) {
  if (clock.median.time) response.set_median_hours(*clock.median.time);
  if (clock.median.lower) response.set_median_lower_hours(*clock.median.lower);
  if (clock.median.upper) response.set_median_upper_hours(*clock.median.upper);
  if (clock.within_90.time) response.set_within_90_hours(*clock.within_90.time);
  response.set_horizon_hours(clock.mean.horizon);
  if (clock.mean.horizon > 0) response.set_mean_hours(clock.mean.mean);
  if (clock.mean.lower) response.set_mean_lower_hours(*clock.mean.lower);
  if (clock.mean.upper) response.set_mean_upper_hours(*clock.mean.upper);
  if (clock.mean_of_restored) response.set_mean_of_restored_hours(*clock.mean_of_restored);
  for (const SurvivalStep& step : clock.curve.steps) {
    v1::RestorationStep& out = *response.add_curve();
    out.set_hours(step.time);
    out.set_not_restored(step.survival);
    if (step.lower) out.set_lower(*step.lower);
    if (step.upper) out.set_upper(*step.upper);
    out.set_at_risk(Count(step.at_risk));
  }
}

void SetCoveredClock(const RestorationClock& clock, v1::GetRestorationResponse& response) {
  if (clock.median.time) response.set_covered_median_hours(*clock.median.time);
  if (clock.median.lower) response.set_covered_median_lower_hours(*clock.median.lower);
  if (clock.median.upper) response.set_covered_median_upper_hours(*clock.median.upper);
  if (clock.within_90.time) response.set_covered_within_90_hours(*clock.within_90.time);
  if (clock.mean.horizon > 0) response.set_covered_mean_hours(clock.mean.mean);
  if (clock.mean.lower) response.set_covered_mean_lower_hours(*clock.mean.lower);
  if (clock.mean.upper) response.set_covered_mean_upper_hours(*clock.mean.upper);
}

// Of each machine, the hours its site's contract covers from the window's start on.
std::vector<IntervalSet> CoveredTimes(const WeekHours& covered, const FiguresQuestion& question,
                                      const SharedTimelines& kept) {
  std::map<int, IntervalSet> by_site;
  std::vector<IntervalSet> of_machines;
  for (const Machine* machine : kept.machines) {
    const auto [site, added] = by_site.try_emplace(machine->site.value);
    if (added) {
      site->second = CoveredTime(covered, question.fleet->FindSite(machine->site)->calendar,
                                 {question.WindowOf(*machine).start, question.now});
    }
    of_machines.push_back(site->second);
  }
  return of_machines;
}

std::vector<absl::Time> RetiredTimes(const SharedTimelines& kept) {
  std::vector<absl::Time> retired;
  for (const Machine* machine : kept.machines) {
    const absl::CivilDay day = machine->calendar.retired_at;
    retired.push_back(day == absl::CivilDay::max() ? absl::InfiniteFuture() : StartOfDay(machine->calendar, day));
  }
  return retired;
}

void AddNotes(const v1::GetRestorationRequest& request, const WeekHours& covered,
              v1::GetRestorationResponse& response) {
  response.add_notes(
      "Elapsed hours from the first down instant until the last blocking fault cleared, over outages begun in the "
      "window. Those that are not over count as lasting at least as long as was seen.");
  if (response.open() > 0) {
    response.add_notes("The mean of the restored ones alone is too short: the long ones are still open.");
  }
  if (request.covered_hours().empty()) return;
  const bool holidays = !covered.days[static_cast<std::size_t>(DayKind::kHoliday)].empty();
  response.add_notes(fmt::format(
      "Covered hours are those elapsed hours that lie in {}, at each site's own time; public holidays are {}.",
      request.covered_hours(), holidays ? "covered as stated" : "not covered"));
}

}  // namespace

absl::StatusOr<v1::GetRestorationResponse> FiguresHandlers::GetRestoration(
    const Caller&, const v1::GetRestorationRequest& request) const {
  RestorationOptions options;
  BAYWARD_ASSIGN_OR_RETURN(options.confidence, ConfidenceOr(request.confidence(), kDefaultConfidence));
  if (request.fault_classes_size() > 1) {
    return InvalidArgument("fault_classes: expected at most one, found {}", request.fault_classes_size());
  }
  for (const int number : request.fault_classes()) {
    if (FindFaultClass(number) == nullptr) {
      return InvalidArgument("fault_classes: there is no fault class {}", number);
    }
    options.first_out = number;
  }
  WeekHours covered;
  if (!request.covered_hours().empty()) {
    BAYWARD_ASSIGN_OR_RETURN(covered, ReadCoveredHours(request.covered_hours()));
  }
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  BAYWARD_ASSIGN_OR_RETURN(const SharedTimelines kept, ShareTimelines(sources_, question));
  const std::vector<absl::Time> retired = RetiredTimes(kept);
  options.retired_at = retired;
  std::vector<IntervalSet> covered_times;
  if (!request.covered_hours().empty()) covered_times = CoveredTimes(covered, question, kept);
  options.covered = covered_times;
  BAYWARD_ASSIGN_OR_RETURN(const Restoration restoration,
                           ComputeRestoration(kept.pointers(), kept.windows, question.now, options));
  v1::GetRestorationResponse response;
  SetCounts(restoration, response);
  SetClock(restoration.elapsed, response);
  if (restoration.covered) SetCoveredClock(*restoration.covered, response);
  SetWindow(question, response);
  response.set_confidence(options.confidence);
  AddNotes(request, covered, response);
  for (std::string& note : CommonNotes(kept.Provisional(), FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
