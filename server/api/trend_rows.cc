#include "server/api/trend_rows.h"

#include <cmath>
#include <cstddef>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/in_service.h"
#include "server/api/kept_timelines.h"
#include "server/api/timeline_reader.h"
#include "server/figures/age_at_start.h"
#include "server/figures/fleet_trend.h"
#include "server/statistics/log_linear_trend.h"
#include "server/statistics/power_law.h"
#include "server/statistics/trend_tests.h"

namespace bayward {
namespace {

struct Read {
  std::vector<TrendMachine> machines;
  std::vector<std::string> names;
  std::vector<std::optional<AgeAtStart>> ages;  // of those with a commissioning date
  GroupAccount total{.group = "total"};

  void Add(const FiguresQuestion& question, const Machine& machine, const MachineTimeline& timeline) {
    total.Add(ComputeAccount(timeline, question.WindowOf(machine)));
    const Interval window = InServiceWithin(machine, question.WindowOf(machine));
    const std::string group = machine.kind + " in " + question.fleet->FindSite(machine.site)->region;
    TrendMachine& one = machines.emplace_back(
        TrendMachine{group, window, UpClock(timeline, window), FailuresWithin(timeline, window, true)});
    if (ChooseAxis(CountWashesSeen(timeline, window)) == FailureAxis::kWashStarts) {
      one.washes = WashClock(timeline, window);
    }
    names.push_back(machine.full_name);
    const std::optional<absl::Time> commissioned = CommissionedAt(machine);
    ages.push_back(commissioned ? FindAgeAtStart(timeline, window, one.axis(), *commissioned) : std::nullopt);
  }
};

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

v1::TrendRow ToRow(const std::string& name, const TrendVerdict& verdict, const EventHistory& history,
                   FailureAxis axis) {
  v1::TrendRow row;
  row.set_machine(name);
  row.set_verdict(std::string(TrendWords(verdict.trend)));
  row.set_failures(static_cast<std::uint32_t>(verdict.events_given));
  row.set_declustered(static_cast<std::uint32_t>(verdict.events));
  row.set_compared(verdict.compared);
  row.set_exposure(history.end);
  row.set_exposure_unit(std::string(AxisUnit(axis)));
  row.set_sentence(TrendSentence(verdict, history.end, AxisUnit(axis)));
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

// The power law on the age since commissioning, seen from the window's start on.
void SetPowerLaw(const EventHistory& declustered, double age, double confidence, v1::TrendRow& row) {
  EventHistory history{.at = declustered.at, .end = declustered.end + age};
  for (double& at : history.at) at += age;
  const auto fit = FitPowerLaw(history, age, confidence);
  // It refuses failures so crowded that nothing fits them; the row then says nothing.
  if (!fit.ok()) return;
  row.set_power_law_beta(fit->shape);
  row.set_power_law_beta_lower(fit->shape_lower);
  row.set_power_law_beta_upper(fit->shape_upper);
}

void SetLogLinear(const EventHistory& declustered, double confidence, v1::TrendRow& row) {
  const auto fit = FitLogLinearTrend(declustered, confidence);
  if (!fit.ok()) return;
  row.set_log_linear_factor(fit->window_factor);
  row.set_log_linear_factor_lower(std::exp(fit->slope_lower * fit->end));
  row.set_log_linear_factor_upper(std::exp(fit->slope_upper * fit->end));
}

void SetFit(const EventHistory& declustered, const std::optional<AgeAtStart>& age, double confidence,
            v1::TrendRow& row) {
  if (declustered.at.size() < static_cast<std::size_t>(kTrendEventsMin)) return;
  if (age) {
    SetPowerLaw(declustered, age->age, confidence, row);
  } else {
    SetLogLinear(declustered, confidence, row);
  }
}

void AddNotes(const Read& read, double level, v1::JudgeTrendsResponse& response) {
  response.add_notes(fmt::format(
      "Failures on the axis of wash starts where at least {:.0f} % of a machine's washes were seen, else of up "
      "hours; returns of one failure left out, beside the other machines of kind and region, so that a shared season "
      "is no trend. Fewer than {} are too few to say.",
      100 * kWashesSeenMin, kTrendEventsMin));
  response.add_notes(
      "Make a verdict once a month on whole months and hold it: looked at anew each day, nearly every steady machine "
      "is flagged once in a year. The fleet's own verdict keeps the season.");
  response.add_notes(fmt::format(
      "Beside the verdict, with {:.0f} % limits and the season left in: the power law's shape where the machine's "
      "commissioning is known (above 1: faster with age), else by what factor the rate changed over the window.",
      100 * (1 - 2 * level)));
  int extrapolated = 0;
  for (const auto& age : read.ages) extrapolated += age && age->seen_share < kWashesSeenMin ? 1 : 0;
  if (extrapolated > 0) {
    response.add_notes(
        fmt::format("{} of the machines were commissioned before they were watched: for the time before, their age "
                    "is taken at the pace of this window, and the power law is as good as that.",
                    extrapolated));
  }
}

}  // namespace

absl::StatusOr<v1::JudgeTrendsResponse> JudgeTrendsOf(const FiguresSources& sources, const FiguresQuestion& question,
                                                      double level) {
  Read read;
  TimelineReader reader(sources.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(question.selection.machines,
                                      [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
                                        read.Add(question, machine, *timeline);
                                      }));
  BAYWARD_ASSIGN_OR_RETURN(const JudgedFleet judged, JudgeFleetTrends(read.machines, level));
  const double confidence = 1 - 2 * level;
  v1::JudgeTrendsResponse response;
  v1::TrendRow& fleet = *response.mutable_fleet();
  fleet = ToRow("fleet", judged.fleet, judged.pooled, judged.pooled_axis);
  SetFit(judged.pooled, std::nullopt, confidence, fleet);
  double fleet_hours = 0;
  for (std::size_t i = 0; i < read.machines.size(); ++i) {
    const JudgedMachine& machine = judged.machines[i];
    v1::TrendRow& row = *response.add_machines();
    row = ToRow(read.names[i], machine.verdict, machine.history, read.machines[i].axis());
    row.set_up_hours(read.machines[i].clock.hours());
    fleet_hours += row.up_hours();
    SetFit(machine.declustered, read.ages[i], confidence, row);
  }
  fleet.set_up_hours(fleet_hours);
  SetWindow(question, response);
  response.set_level(level);
  AddNotes(read, level, response);
  for (std::string& note : CommonNotes(read.total, FactsOf(question, sources))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
