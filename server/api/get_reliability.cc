#include <map>
#include <memory>
#include <string>
#include <utility>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/grouping.h"
#include "server/api/kept_timelines.h"
#include "server/api/periods.h"
#include "server/api/timeline_reader.h"
#include "server/figures/weekly_counts.h"
#include "server/statistics/dispersion.h"
#include "server/statistics/poisson_limits.h"

namespace bayward {
namespace {

constexpr double kDefaultConfidence = 0.90;
constexpr double kPerThousand = 1000;
constexpr int kFewFailures = 5;

struct ReliabilityGroup {
  GroupAccount sum;
  WeeklyCounts weeks;
};

struct Limits {
  double confidence = kDefaultConfidence;
  Termination ended_by = Termination::kTime;

  // No failure can have ended the time of a group that had none.
  Termination EndedBy(int failures) const { return failures > 0 ? ended_by : Termination::kTime; }
};

std::uint32_t Count(int count) { return static_cast<std::uint32_t>(count); }

absl::StatusOr<Termination> TerminationOf(v1::EndedBy ended_by) {
  switch (ended_by) {
    case v1::ENDED_BY_UNSPECIFIED:
    case v1::ENDED_BY_TIME:
      return Termination::kTime;
    case v1::ENDED_BY_FAILURE:
      return Termination::kFailure;
    default:
      return InvalidArgument("ended_by: expected time or failure, found {}", static_cast<int>(ended_by));
  }
}

void SetCounts(const GroupAccount& sum, v1::ReliabilityRow& row) {
  const TimeAccount& account = sum.account;
  row.set_group(sum.group);
  row.set_machines(sum.machines);
  row.set_failures(Count(account.failures));
  row.set_failures_unobserved(Count(account.failures_unobserved));
  row.set_found_at_opening(Count(account.found_at_opening));
  row.set_up_hours(absl::ToDoubleHours(account.observed_up()));
  row.set_unknown_hours(absl::ToDoubleHours(account.unknown()));
  row.set_cycles_completed(static_cast<std::uint64_t>(account.cycles_completed));
  row.set_provisional(account.provisional);
  const MtbfBounds known = BoundMtbf(account);
  if (known.low) row.set_mtbf_known_low_hours(absl::ToDoubleHours(*known.low));
  if (known.high) row.set_mtbf_known_high_hours(absl::ToDoubleHours(*known.high));
}

absl::Status SetMtbf(const TimeAccount& account, const Limits& limits, const Dispersion& dispersion,
                     v1::ReliabilityRow& row) {
  const Termination ended_by = limits.EndedBy(account.failures);
  BAYWARD_ASSIGN_OR_RETURN(const Mtbf mtbf,
                           ComputeMtbf(account.observed_up(), account.failures, limits.confidence, ended_by));
  if (mtbf.point) row.set_mtbf_hours(absl::ToDoubleHours(*mtbf.point));
  row.set_mtbf_lower_hours(absl::ToDoubleHours(mtbf.lower));
  if (mtbf.upper) row.set_mtbf_upper_hours(absl::ToDoubleHours(*mtbf.upper));
  if (dispersion.verdict != DispersionVerdict::kClustered) return absl::OkStatus();
  BAYWARD_ASSIGN_OR_RETURN(const Mtbf widened, ComputeDispersedMtbf(account.observed_up(), account.failures,
                                                                    limits.confidence, dispersion, ended_by));
  row.set_mtbf_widened_lower_hours(absl::ToDoubleHours(widened.lower));
  if (widened.upper) row.set_mtbf_widened_upper_hours(absl::ToDoubleHours(*widened.upper));
  return absl::OkStatus();
}

absl::Status SetRate(const TimeAccount& account, double confidence, v1::ReliabilityRow& row) {
  BAYWARD_ASSIGN_OR_RETURN(const PoissonRate rate, ComputePoissonRate(account.failures - account.found_at_opening,
                                                                      row.up_hours(), confidence));
  row.set_rate(kPerThousand * rate.point);
  row.set_rate_lower(kPerThousand * rate.lower);
  row.set_rate_upper(kPerThousand * rate.upper);
  return absl::OkStatus();
}

absl::Status SetCycles(const TimeAccount& account, const Limits& limits, const Dispersion& dispersion,
                       v1::ReliabilityRow& row) {
  if (account.cycles_completed == 0) return absl::OkStatus();
  BAYWARD_ASSIGN_OR_RETURN(const CyclesBetweenFailures cycles,
                           ComputeCyclesBetweenFailures(account.cycles_completed, account.failures, limits.confidence,
                                                        dispersion, limits.EndedBy(account.failures)));
  if (cycles.point) row.set_cycles_between(*cycles.point);
  row.set_cycles_between_lower(cycles.lower);
  if (cycles.upper) row.set_cycles_between_upper(*cycles.upper);
  return absl::OkStatus();
}

absl::StatusOr<v1::ReliabilityRow> MakeRow(const ReliabilityGroup& group, const Limits& limits) {
  const TimeAccount& account = group.sum.account;
  v1::ReliabilityRow row;
  SetCounts(group.sum, row);
  if (account.observed_up() <= absl::ZeroDuration() || !group.weeks.has_exposure()) return row;
  BAYWARD_ASSIGN_OR_RETURN(const Dispersion dispersion, ComputeDispersion(group.weeks.InOrder()));
  if (dispersion.phi) row.set_dispersion(*dispersion.phi);
  row.set_dispersion_weeks(Count(dispersion.weeks));
  row.set_dispersion_words(DispersionWords(dispersion.verdict));
  BAYWARD_RETURN_IF_ERROR(SetMtbf(account, limits, dispersion, row));
  BAYWARD_RETURN_IF_ERROR(SetRate(account, limits.confidence, row));
  BAYWARD_RETURN_IF_ERROR(SetCycles(account, limits, dispersion, row));
  return row;
}

void AddFewNote(v1::GetReliabilityResponse& response) {
  int few = 0;
  for (const v1::ReliabilityRow& row : response.rows()) few += row.failures() < kFewFailures ? 1 : 0;
  if (few > 0) {
    response.add_notes(
        fmt::format("{} of {} rows have fewer than {} failures: their limits are wide, and too few to compare them "
                    "by.",
                    few, response.rows_size(), kFewFailures));
  }
}

void AddNotes(const TimeAccount& total, Termination ended_by, v1::GetReliabilityResponse& response) {
  response.add_notes(fmt::format(
      "Up hours divided by failures; limits by chi-square as if {} ended the time looked at, 2n{} and 2n degrees of "
      "freedom. Without a failure there is only a one-sided lower limit, and no mean.",
      ended_by == Termination::kTime ? "a time fixed beforehand" : "the last failure",
      ended_by == Termination::kTime ? " + 2" : ""));
  response.add_notes(
      fmt::format("Those limits take failures as coming one by one. Where their weekly counts vary more than {:g} "
                  "times as much as by chance, over {} weeks or more, failures and up hours are divided by that for "
                  "the wider limits; with fewer weeks the limits may be too narrow.",
                  kDispersionMax, kDispersionWeeksMin));
  if (total.found_at_opening > 0) {
    response.add_notes(
        fmt::format("{} failures were found at opening: they count in the mean, but had no up time to happen in, so "
                    "that the rate leaves them out.",
                    total.found_at_opening));
  }
  if (total.unknown() > absl::ZeroDuration() || total.failures_unobserved > 0) {
    response.add_notes(
        fmt::format("{} are unknown, and {} failures were found when watching began again. What they leave open of "
                    "the mean is a range, no confidence limits.",
                    HoursText(total.unknown()), total.failures_unobserved));
  }
  AddFewNote(response);
}

}  // namespace

absl::StatusOr<v1::GetReliabilityResponse> FiguresHandlers::GetReliability(
    const Caller&, const v1::GetReliabilityRequest& request) const {
  Limits limits;
  BAYWARD_ASSIGN_OR_RETURN(limits.confidence, ConfidenceOr(request.confidence(), kDefaultConfidence));
  BAYWARD_ASSIGN_OR_RETURN(limits.ended_by, TerminationOf(request.ended_by()));
  BAYWARD_ASSIGN_OR_RETURN(const v1::Grouping grouping, GroupingOr(request.grouping(), v1::GROUPING_MACHINE));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskFigures(sources_, request.scope(), request.window()));
  std::map<std::string, ReliabilityGroup> groups;
  ReliabilityGroup total{.sum = {.group = "total"}, .weeks = {}};
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        const Site& site = *question.fleet->FindSite(machine.site);
        const Interval& window = question.WindowOf(machine);
        ReliabilityGroup& group = groups[GroupOf(grouping, site, machine)];
        const TimeAccount account = ComputeAccount(*timeline, window);
        group.sum.Add(account);
        total.sum.Add(account);
        for (const Period& week : PeriodsOf(site.calendar, window, {.step = v1::STEP_WEEK})) {
          const TimeAccount in_week = ComputeAccount(*timeline, week.interval);
          group.weeks.Add(week.first, in_week);
          total.weeks.Add(week.first, in_week);
        }
      }));
  v1::GetReliabilityResponse response;
  for (auto& [name, group] : groups) {
    group.sum.group = name;
    BAYWARD_ASSIGN_OR_RETURN(*response.add_rows(), MakeRow(group, limits));
  }
  BAYWARD_ASSIGN_OR_RETURN(*response.mutable_total(), MakeRow(total, limits));
  SetWindow(question, response);
  response.set_confidence(limits.confidence);
  AddNotes(total.sum.account, limits.ended_by, response);
  for (std::string& note : CommonNotes(total.sum, FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
