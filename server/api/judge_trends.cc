#include <string>
#include <utility>
#include <vector>

#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/kept_timelines.h"
#include "server/api/timeline_reader.h"
#include "server/figures/fleet_trend.h"
#include "server/statistics/trend_tests.h"

namespace bayward {
namespace {

constexpr double kDefaultLevel = 0.05;

void SetClassical(const EventHistory& history, v1::TrendRow& row) {
  // The tests refuse a history too short for them; the row then says nothing.
  if (const auto test = LaplaceTest(history); test.ok()) row.set_laplace_p_worsening(test->p_worsening);
  if (const auto test = MilitaryHandbookTest(history); test.ok()) {
    row.set_military_handbook_p_worsening(test->p_worsening);
  }
  if (const auto test = ReverseArrangementTest(history); test.ok()) {
    row.set_reverse_arrangements_p_worsening(test->p_worsening);
  }
}

v1::TrendRow ToProto(const std::string& name, const TrendVerdict& verdict, const EventHistory& history) {
  v1::TrendRow row;
  row.set_machine(name);
  row.set_verdict(std::string(TrendWords(verdict.trend)));
  row.set_failures(static_cast<std::uint32_t>(verdict.events_given));
  row.set_declustered(static_cast<std::uint32_t>(verdict.events));
  row.set_up_hours(history.end);
  row.set_compared(verdict.compared);
  row.set_sentence(TrendSentence(verdict, history.end, "up hours"));
  if (verdict.trend != Trend::kTooFewToSay) {
    row.set_z(verdict.z);
    row.set_p_improving(verdict.p_improving);
    row.set_p_worsening(verdict.p_worsening);
    row.set_q_improving(verdict.q_improving);
    row.set_q_worsening(verdict.q_worsening);
  }
  if (history.end > 0) SetClassical(history, row);
  return row;
}

}  // namespace

absl::StatusOr<v1::JudgeTrendsResponse> FiguresHandlers::JudgeTrends(const Caller&,
                                                                     const v1::JudgeTrendsRequest& request) const {
  const double level = request.level() == 0 ? kDefaultLevel : request.level();
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  std::vector<TrendMachine> machines;
  std::vector<std::string> names;
  GroupAccount total{.group = "total"};
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        const Interval& window = question.WindowOf(machine);
        total.Add(ComputeAccount(*timeline, window));
        const std::string group = machine.kind + " in " + question.fleet->FindSite(machine.site)->region;
        machines.push_back({group, window, UpClock(*timeline, window), FailuresWithin(*timeline, window, true)});
        names.push_back(machine.full_name);
      }));
  BAYWARD_ASSIGN_OR_RETURN(const JudgedFleet judged, JudgeFleetTrends(machines, level));
  v1::JudgeTrendsResponse response;
  *response.mutable_fleet() = ToProto("fleet", judged.fleet, judged.pooled);
  for (std::size_t i = 0; i < names.size(); ++i) {
    *response.add_machines() = ToProto(names[i], judged.machines[i].verdict, judged.machines[i].history);
  }
  SetWindow(question, response);
  response.set_level(level);
  response.add_notes(
      "Failures on the axis of up hours, returns of one failure left out, beside the other machines of kind and region, so "
      "that a shared season is no trend. Fewer than 6 are too few to say.");
  response.add_notes(
      "Make a verdict once a month on whole months and hold it: looked at anew each day, nearly every steady machine is "
      "flagged once in a year. The fleet's own verdict keeps the season.");
  for (std::string& note : CommonNotes(total, FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
