#include <algorithm>
#include <map>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/in_service.h"
#include "server/api/present_question.h"
#include "server/api/timeline_reader.h"
#include "server/figures/kind_forecast.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

constexpr double kInRange = 0.9;
constexpr double kLeftOut = 1e-4;  // of the counts told one by one

struct Asked {
  const Machine* machine = nullptr;
  std::unique_ptr<MachineTimeline> timeline;
  std::string condition_now;
  bool in_service = false;  // at some time in the period ahead
};

struct AskedKind {
  std::vector<Asked> machines;
  std::vector<ForecastMachine> forecast;
};

void SetEstimate(const PairedDifference& difference, v1::Estimate& out) {
  out.set_value(difference.mean);
  out.set_lower(*difference.lower);
  out.set_upper(*difference.upper);
}

v1::ForecastScore MakeScore(const std::string& kind, const std::optional<ForecastScores>& scores) {
  v1::ForecastScore out;
  out.set_kind(kind);
  out.set_verdict(ScoreVerdict(scores));
  if (scores) out.set_origins(static_cast<std::uint32_t>(scores->origins.size()));
  if (scores) out.set_forecasts(static_cast<std::uint32_t>(scores->forecasts));
  out.set_too_few(!scores || !scores->used_against_own.log.upper);
  if (out.too_few()) return out;
  out.set_trend_used(scores->trend_enters);
  out.set_log_used(scores->used.mean.log);
  out.set_log_own(scores->own.mean.log);
  out.set_log_pooled(scores->pooled.mean.log);
  out.set_log_shrunk(scores->shrunk.mean.log);
  out.set_ranked_used(scores->used.mean.ranked);
  out.set_ranked_own(scores->own.mean.ranked);
  out.set_ranked_pooled(scores->pooled.mean.ranked);
  out.set_ranked_shrunk(scores->shrunk.mean.ranked);
  SetEstimate(scores->used_against_own.log, *out.mutable_against_own());
  SetEstimate(scores->used_against_pooled.log, *out.mutable_against_pooled());
  for (const double height : scores->pit) out.add_pit(height);
  return out;
}

void SetForecast(const CountDistribution& forecast, const std::vector<double>& hours, v1::ForecastRow& row) {
  row.set_mean(forecast.mean);
  row.set_probability_of_none(forecast.Probability(0));
  row.set_count_low(static_cast<std::uint32_t>(forecast.Quantile((1 - kInRange) / 2)));
  row.set_count_high(static_cast<std::uint32_t>(forecast.Quantile((1 + kInRange) / 2)));
  double told = 0;
  for (const double probability : forecast.probability) {
    if (told >= 1 - kLeftOut) break;
    row.add_probability(probability);
    told += probability;
  }
  for (const double value : hours) {
    row.set_up_hours_foreseen(row.up_hours_foreseen() + value / static_cast<double>(hours.size()));
  }
}

void AddRows(const AskedKind& kind, const KindForecast& forecast, std::vector<v1::ForecastRow>& rows) {
  for (std::size_t i = 0; i < kind.machines.size(); ++i) {
    const Asked& asked = kind.machines[i];
    if (!asked.in_service) continue;
    v1::ForecastRow& row = rows.emplace_back();
    row.set_machine(asked.machine->full_name);
    row.set_condition_now(asked.condition_now);
    if (!forecast.machines.empty()) SetForecast(forecast.machines[i], forecast.foreseen[i], row);
  }
}

struct Lacking {
  std::vector<std::string> never_up;  // kinds
  std::vector<std::string> few_restored;
};

void AddNotes(const Lacking& lacking, v1::ForecastOutagesResponse& response) {
  response.add_notes(
      fmt::format("Outages of the machine's own cause that begin in the next {} days; those found at opening are not "
                  "in it. {:g} in 10 counts lie within the range.",
                  response.days(), 10 * kInRange));
  response.add_notes(
      "A machine's rate per up hour is drawn towards that of its kind as far as its few outages may be chance. Its "
      "up hours are foreseen from its condition now, the hours planned, and how long restorations of its kind took; "
      "one that is withheld or unknown now is taken to be up as much as it was on average.");
  response.add_notes(
      fmt::format("Scores are means over past periods of {} days, each forecast from what lay before it; smaller is "
                  "better. Own: the machine's average so far; pooled: that of all machines of the kind.",
                  response.days()));
  if (!lacking.never_up.empty()) {
    response.add_notes(fmt::format("Nothing is forecast for the kind {}: none was seen up for an hour yet.",
                                   absl::StrJoin(lacking.never_up, ", ")));
  }
  if (!lacking.few_restored.empty()) {
    response.add_notes(fmt::format(
        "Fewer than {} outages of the kind {} were restored: how long they last is taken from all kinds asked about.",
        kRestoredMin, absl::StrJoin(lacking.few_restored, ", ")));
  }
}

}  // namespace

absl::StatusOr<v1::ForecastOutagesResponse> FiguresHandlers::ForecastOutages(
    const Caller&, const v1::ForecastOutagesRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskAboutNow(sources_, request.scope()));
  const Interval ahead{question.now, question.now + kForecastPeriod};
  std::map<std::string, AskedKind> kinds;
  std::vector<ForecastMachine> all;
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        timeline->history.cycles = {};  // most of a history, and all are kept at once
        const absl::CivilDay retired = machine.calendar.retired_at;
        ForecastMachine forecast{.timeline = timeline.get(),
                                 .planned = RequiredTime(machine.calendar, ahead),
                                 .seed = static_cast<std::uint64_t>(machine.id.value)};
        if (retired != absl::CivilDay::max()) forecast.retired_at = StartOfDay(machine.calendar, retired);
        std::string words = PresentWords(question, machine, *timeline);
        AskedKind& kind = kinds[machine.kind];
        kind.machines.push_back(
            {&machine, std::move(timeline), std::move(words), !InServiceWithin(machine, ahead).empty()});
        kind.forecast.push_back(forecast);
        all.push_back(std::move(forecast));
      }));
  v1::ForecastOutagesResponse response;
  response.set_days(static_cast<std::uint32_t>(kForecastPeriod / absl::Hours(24)));
  response.set_as_of_us(absl::ToUnixMicros(question.now));
  std::vector<v1::ForecastRow> rows;
  Lacking lacking;
  for (const auto& [name, kind] : kinds) {
    BAYWARD_ASSIGN_OR_RETURN(const KindForecast forecast, ForecastKind(kind.forecast, all, question.now));
    if (forecast.machines.empty())
      lacking.never_up.push_back(name);
    else if (forecast.restorations_of_all_kinds)
      lacking.few_restored.push_back(name);
    AddRows(kind, forecast, rows);
    *response.add_scores() = MakeScore(name, forecast.scores);
  }
  std::sort(rows.begin(), rows.end(), [](const v1::ForecastRow& a, const v1::ForecastRow& b) {
    return a.mean() != b.mean() ? a.mean() > b.mean() : a.machine() < b.machine();
  });
  for (v1::ForecastRow& row : rows) *response.add_rows() = std::move(row);
  AddNotes(lacking, response);
  GroupAccount asked{.group = "total", .machines = static_cast<std::uint32_t>(question.selection.machines.size())};
  for (std::string& note : CommonNotes(asked, FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
