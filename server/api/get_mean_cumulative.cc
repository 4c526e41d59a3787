#include <cstddef>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/in_service.h"
#include "server/api/kept_timelines.h"
#include "server/api/timeline_reader.h"
#include "server/figures/failure_ages.h"
#include "server/statistics/mean_cumulative.h"

namespace bayward {
namespace {

constexpr double kDefaultConfidence = 0.95;
constexpr std::size_t kStepsMax = 1000;  // of an answer

// The machines on one axis.
struct Units {
  std::vector<UnitHistory> units;  // those that were in sight
  long without_span = 0;
  std::size_t unseen = 0;  // machines never in sight

  void Add(FailureAges ages) {
    without_span += ages.without_span;
    if (ages.unit.at_risk.empty()) {
      ++unseen;
      return;
    }
    units.push_back(std::move(ages.unit));
  }
};

struct Read {
  Units hours;
  Units starts;
  WashesSeen washes;
  GroupAccount total{.group = "total"};

  void Add(const MachineTimeline& timeline, const Interval& asked, const Interval& in_service) {
    total.Add(ComputeAccount(timeline, asked));
    washes += CountWashesSeen(timeline, in_service);
    hours.Add(AgesOfFailures(timeline, in_service, FailureAxis::kUpHours));
    starts.Add(AgesOfFailures(timeline, in_service, FailureAxis::kWashStarts));
  }
};

absl::StatusOr<FailureAxis> AxisOf(v1::AgeAxis asked, const WashesSeen& washes) {
  switch (asked) {
    case v1::AGE_AXIS_UNSPECIFIED:
      return ChooseAxis(washes);
    case v1::AGE_AXIS_UP_HOURS:
      return FailureAxis::kUpHours;
    case v1::AGE_AXIS_WASH_STARTS:
      return FailureAxis::kWashStarts;
    default:
      return InvalidArgument("axis: expected up hours or wash starts, found {}", static_cast<int>(asked));
  }
}

void AddStep(const MeanCumulativeStep& step, v1::GetMeanCumulativeResponse& response) {
  v1::MeanCumulativeRow& row = *response.add_steps();
  row.set_age(step.age);
  row.set_at_risk(static_cast<std::uint32_t>(step.at_risk));
  row.set_failures(static_cast<std::uint32_t>(step.events));
  row.set_mean(step.mean);
  if (step.lower) row.set_lower(*step.lower);
  if (step.upper) row.set_upper(*step.upper);
}

// All steps, or so many of them, evenly chosen with the first and the last.
void SetCurve(const MeanCumulative& curve, v1::GetMeanCumulativeResponse& response) {
  response.set_from_age(curve.from);
  response.set_until_age(curve.until);
  long failures = 0;
  for (const MeanCumulativeStep& step : curve.steps) failures += step.events;
  response.set_failures(static_cast<std::uint32_t>(failures));
  const std::size_t all = curve.steps.size();
  if (all <= kStepsMax) {
    for (const MeanCumulativeStep& step : curve.steps) AddStep(step, response);
    return;
  }
  for (std::size_t i = 0; i < kStepsMax; ++i) AddStep(curve.steps[i * (all - 1) / (kStepsMax - 1)], response);
  response.add_notes(fmt::format("{} of {} steps are given, evenly chosen; the mean counts all.", kStepsMax, all));
}

void AddNotes(FailureAxis axis, const Units& units, const v1::GetMeanCumulativeRequest& request,
              v1::GetMeanCumulativeResponse& response) {
  response.add_notes(fmt::format(
      "Mean number of failures of a machine by its {} since the window's start, or since it went into service in it. "
      "What nobody saw adds to a machine's age at its own pace, and it does not count among those at risk there.",
      AxisUnit(axis)));
  response.add_notes(
      fmt::format("The {:g} % limits are of each step by itself and by how machines differ, so that they hold for "
                  "failures in clusters; where one machine alone was at risk, or none differed, there are none.",
                  100 * response.confidence()));
  if (units.unseen > 0) {
    response.add_notes(fmt::format("{} machines were never in sight{} and are left out.", units.unseen,
                                   axis == FailureAxis::kWashStarts ? ", or no wash of theirs is on record," : ""));
  }
  if (response.left_out() > 0) {
    response.add_notes(fmt::format(
        "{} failures are left out: no machine was at risk at their age, or at one before it.", response.left_out()));
  }
  if (units.units.size() < 5) response.add_notes("Fewer than 5 machines: the limits are rough.");
  if (request.axis() != v1::AGE_AXIS_UNSPECIFIED) response.add_notes("The axis is the one asked for.");
}

}  // namespace

absl::StatusOr<v1::GetMeanCumulativeResponse> FiguresHandlers::GetMeanCumulative(
    const Caller&, const v1::GetMeanCumulativeRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const double confidence, ConfidenceOr(request.confidence(), kDefaultConfidence));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskFigures(sources_, request.scope(), request.window()));
  Read read;
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(question.selection.machines,
                                      [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
                                        const Interval& window = question.WindowOf(machine);
                                        read.Add(*timeline, window, InServiceWithin(machine, window));
                                      }));
  BAYWARD_ASSIGN_OR_RETURN(const FailureAxis axis, AxisOf(request.axis(), read.washes));
  const Units& units = axis == FailureAxis::kUpHours ? read.hours : read.starts;
  BAYWARD_ASSIGN_OR_RETURN(const MeanCumulative curve, EstimateMeanCumulative(units.units, confidence));
  v1::GetMeanCumulativeResponse response;
  response.set_age_unit(std::string(AxisUnit(axis)));
  response.set_axis_reason(AxisReason(read.washes));
  response.set_machines(static_cast<std::uint32_t>(units.units.size()));
  response.set_left_out(static_cast<std::uint32_t>(curve.events_left_out + units.without_span));
  response.set_confidence(confidence);
  SetCurve(curve, response);
  SetWindow(question, response);
  AddNotes(axis, units, request, response);
  for (std::string& note : CommonNotes(read.total, FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
