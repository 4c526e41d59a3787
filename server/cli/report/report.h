// What a report asks a server, and what came back. Plain values: any thread may use them, one at a time.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "bayward/v1/figures.pb.h"
#include "bayward/v1/fleet.pb.h"
#include "server/cli/report/period.h"

namespace bayward::cli::report {

struct ReportQuestions {
  v1::ListSitesRequest sites;
  v1::GetAvailabilityRequest availability_by_site;
  v1::GetAvailabilityRequest availability_by_machine;
  v1::GetAvailabilityRequest availability_by_step;
  v1::RankFaultsRequest ranking;
  v1::CompareMachinesRequest comparison;
  v1::JudgeTrendsRequest trends;
  v1::GetRestorationRequest restoration;
  v1::RankRepeatsRequest repeats;
  v1::GetReliabilityRequest reliability;
  v1::GetMeanCumulativeRequest mean_cumulative;
  v1::EstimateLossesRequest losses;
  v1::ListCycleDriftRequest cycle_drift;
  v1::ListSilentStopsRequest silent_stops;
  v1::ForecastOutagesRequest forecast;
  v1::GetServiceMetRequest service_met;
  v1::GetAlarmQualityRequest alarm_quality;
};

// `now` decides which held trend verdicts are there to be asked for.
ReportQuestions AskReport(const Period& period, const v1::Scope& scope, absl::Time now);

template <class Request, class Response>
using Call = std::function<absl::StatusOr<Response>(const Request&)>;

// How each question reaches a server.
struct ReportCalls {
  Call<v1::ListSitesRequest, v1::ListSitesResponse> list_sites;
  Call<v1::GetAvailabilityRequest, v1::GetAvailabilityResponse> get_availability;
  Call<v1::RankFaultsRequest, v1::RankFaultsResponse> rank_faults;
  Call<v1::CompareMachinesRequest, v1::CompareMachinesResponse> compare_machines;
  Call<v1::JudgeTrendsRequest, v1::JudgeTrendsResponse> judge_trends;
  Call<v1::GetRestorationRequest, v1::GetRestorationResponse> get_restoration;
  Call<v1::RankRepeatsRequest, v1::RankRepeatsResponse> rank_repeats;
  Call<v1::GetReliabilityRequest, v1::GetReliabilityResponse> get_reliability;
  Call<v1::GetMeanCumulativeRequest, v1::GetMeanCumulativeResponse> get_mean_cumulative;
  Call<v1::EstimateLossesRequest, v1::EstimateLossesResponse> estimate_losses;
  Call<v1::ListCycleDriftRequest, v1::ListCycleDriftResponse> list_cycle_drift;
  Call<v1::ListSilentStopsRequest, v1::ListSilentStopsResponse> list_silent_stops;
  Call<v1::ForecastOutagesRequest, v1::ForecastOutagesResponse> forecast_outages;
  Call<v1::GetServiceMetRequest, v1::GetServiceMetResponse> get_service_met;
  Call<v1::GetAlarmQualityRequest, v1::GetAlarmQualityResponse> get_alarm_quality;
};

// Each answer, or why it could not be had.
struct ReportAnswers {
  absl::StatusOr<v1::ListSitesResponse> sites;
  absl::StatusOr<v1::GetAvailabilityResponse> availability_by_site;
  absl::StatusOr<v1::GetAvailabilityResponse> availability_by_machine;
  absl::StatusOr<v1::GetAvailabilityResponse> availability_by_step;
  absl::StatusOr<v1::RankFaultsResponse> ranking;
  absl::StatusOr<v1::CompareMachinesResponse> comparison;
  absl::StatusOr<v1::JudgeTrendsResponse> trends;
  absl::StatusOr<v1::GetRestorationResponse> restoration;
  absl::StatusOr<v1::RankRepeatsResponse> repeats;
  absl::StatusOr<v1::GetReliabilityResponse> reliability;
  absl::StatusOr<v1::GetMeanCumulativeResponse> mean_cumulative;
  absl::StatusOr<v1::EstimateLossesResponse> losses;
  absl::StatusOr<v1::ListCycleDriftResponse> cycle_drift;
  absl::StatusOr<v1::ListSilentStopsResponse> silent_stops;
  absl::StatusOr<v1::ForecastOutagesResponse> forecast;
  absl::StatusOr<v1::GetServiceMetResponse> service_met;
  absl::StatusOr<v1::GetAlarmQualityResponse> alarm_quality;
};

// visit(name, what it tells in words, answer), in the report's order.
template <class Visit>
void ForEachAnswer(const ReportAnswers& answers, const Visit& visit) {
  visit("sites", "the sites' names and time zones", answers.sites);
  visit("availability_by_site", "availability by site", answers.availability_by_site);
  visit("availability_by_step", "availability period by period", answers.availability_by_step);
  visit("availability_by_machine", "down time by machine", answers.availability_by_machine);
  visit("comparison", "which machines fail more often than their kind", answers.comparison);
  visit("ranking", "which faults cost most down time", answers.ranking);
  visit("restoration", "how long outages last", answers.restoration);
  visit("repeats", "which faults came back", answers.repeats);
  visit("reliability", "how often machines fail", answers.reliability);
  visit("mean_cumulative", "failures by age", answers.mean_cumulative);
  visit("trends", "trend verdicts", answers.trends);
  visit("losses", "washes and money lost", answers.losses);
  visit("service_met", "what customers met", answers.service_met);
  visit("cycle_drift", "which machines wash more slowly", answers.cycle_drift);
  visit("silent_stops", "which machines are silent", answers.silent_stops);
  visit("forecast", "outages in the days ahead", answers.forecast);
  visit("alarm_quality", "how well alarms are managed", answers.alarm_quality);
}

struct Report {
  Period period;
  v1::Scope scope;
  ReportAnswers answers;
};

// Asks everything. A question that fails leaves its reason in place of its answer; only where the first one says that
// the scope or the period itself cannot be used (InvalidArgument, NotFound) is there no report.
absl::StatusOr<Report> GatherReport(const Period& period, const v1::Scope& scope, absl::Time now,
                                    const ReportCalls& calls);

struct Gap {
  std::string name;  // as of ForEachAnswer
  std::string what;
  std::string why;
};
std::vector<Gap> GapsOf(const Report& report);

}  // namespace bayward::cli::report
