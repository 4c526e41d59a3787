#include "server/cli/report/report.h"

#include <utility>

#include "proto/common/status.h"

namespace bayward::cli::report {
namespace {

template <class Request>
Request Scoped(const v1::Scope& scope) {
  Request request;
  *request.mutable_scope() = scope;
  return request;
}

template <class Request>
Request Windowed(const Period& period, const v1::Scope& scope) {
  Request request = Scoped<Request>(scope);
  *request.mutable_window() = period.Window();
  return request;
}

template <class Request>
Request Grouped(const Period& period, const v1::Scope& scope, v1::Grouping grouping) {
  Request request = Windowed<Request>(period, scope);
  request.set_grouping(grouping);
  return request;
}

template <class Request, class Response>
absl::StatusOr<Response> Answer(const Call<Request, Response>& call, const Request& request) {
  if (!call) return Unavailable("it was not asked for");
  return call(request);
}

bool IsRefusal(const absl::Status& status) {
  return status.code() == absl::StatusCode::kInvalidArgument || status.code() == absl::StatusCode::kNotFound;
}

}  // namespace

ReportQuestions AskReport(const Period& period, const v1::Scope& scope, absl::Time now) {
  ReportQuestions ask;
  ask.sites = Scoped<v1::ListSitesRequest>(scope);
  ask.availability_by_site = Grouped<v1::GetAvailabilityRequest>(period, scope, v1::GROUPING_SITE);
  ask.availability_by_site.set_with_sampling_interval(true);
  ask.availability_by_machine = Grouped<v1::GetAvailabilityRequest>(period, scope, v1::GROUPING_MACHINE);
  ask.availability_by_step = Grouped<v1::GetAvailabilityRequest>(period, scope, v1::GROUPING_FLEET);
  ask.availability_by_step.set_step(period.step);
  ask.ranking = Grouped<v1::RankFaultsRequest>(period, scope, v1::GROUPING_FLEET);
  ask.ranking.set_with_gain(true);
  ask.ranking.set_with_window_before(true);
  ask.ranking.set_with_losses(true);
  ask.comparison = Scoped<v1::CompareMachinesRequest>(scope);
  ask.comparison.set_held(true);
  ask.trends = Scoped<v1::JudgeTrendsRequest>(scope);
  ask.trends.set_month(period.VerdictMonth(now));
  ask.restoration = Windowed<v1::GetRestorationRequest>(period, scope);
  ask.repeats = Windowed<v1::RankRepeatsRequest>(period, scope);
  ask.reliability = Grouped<v1::GetReliabilityRequest>(period, scope, v1::GROUPING_KIND);
  ask.mean_cumulative = Windowed<v1::GetMeanCumulativeRequest>(period, scope);
  ask.losses = Grouped<v1::EstimateLossesRequest>(period, scope, v1::GROUPING_SITE);
  ask.losses.set_with_backtest(true);
  ask.cycle_drift = Scoped<v1::ListCycleDriftRequest>(scope);
  ask.silent_stops = Scoped<v1::ListSilentStopsRequest>(scope);
  ask.forecast = Scoped<v1::ForecastOutagesRequest>(scope);
  ask.service_met = Grouped<v1::GetServiceMetRequest>(period, scope, v1::GROUPING_SITE);
  ask.alarm_quality = Windowed<v1::GetAlarmQualityRequest>(period, scope);
  return ask;
}

absl::StatusOr<Report> GatherReport(const Period& period, const v1::Scope& scope, absl::Time now,
                                    const ReportCalls& calls) {
  const ReportQuestions ask = AskReport(period, scope, now);
  Report report;
  report.period = period;
  report.scope = scope;
  ReportAnswers& got = report.answers;
  got.availability_by_site = Answer(calls.get_availability, ask.availability_by_site);
  if (IsRefusal(got.availability_by_site.status())) return got.availability_by_site.status();
  got.sites = Answer(calls.list_sites, ask.sites);
  got.availability_by_machine = Answer(calls.get_availability, ask.availability_by_machine);
  got.availability_by_step = Answer(calls.get_availability, ask.availability_by_step);
  got.ranking = Answer(calls.rank_faults, ask.ranking);
  got.comparison = Answer(calls.compare_machines, ask.comparison);
  got.trends = Answer(calls.judge_trends, ask.trends);
  got.restoration = Answer(calls.get_restoration, ask.restoration);
  got.repeats = Answer(calls.rank_repeats, ask.repeats);
  got.reliability = Answer(calls.get_reliability, ask.reliability);
  got.mean_cumulative = Answer(calls.get_mean_cumulative, ask.mean_cumulative);
  got.losses = Answer(calls.estimate_losses, ask.losses);
  got.cycle_drift = Answer(calls.list_cycle_drift, ask.cycle_drift);
  got.silent_stops = Answer(calls.list_silent_stops, ask.silent_stops);
  got.forecast = Answer(calls.forecast_outages, ask.forecast);
  got.service_met = Answer(calls.get_service_met, ask.service_met);
  got.alarm_quality = Answer(calls.get_alarm_quality, ask.alarm_quality);
  return report;
}

std::vector<Gap> GapsOf(const Report& report) {
  std::vector<Gap> gaps;
  ForEachAnswer(report.answers, [&](const char* name, const char* what, const auto& answer) {
    if (!answer.ok()) gaps.push_back({name, what, std::string(Message(answer.status()))});
  });
  return gaps;
}

}  // namespace bayward::cli::report
