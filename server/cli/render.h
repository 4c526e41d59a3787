// The server's answers as text for people. Pure: any thread may call. Text ends with a line feed; tables fit
// kTableWidthMax columns.
#pragma once

#include <string>

#include "absl/time/time.h"
#include "bayward/v1/figures.pb.h"
#include "bayward/v1/fleet.pb.h"
#include "bayward/v1/record.pb.h"
#include "server/cli/format.h"

namespace bayward::cli {

std::string RenderSites(const v1::ListSitesResponse& response);
std::string RenderMachines(const v1::ListMachinesResponse& response);
// Down first, then unknown, withheld, degraded, up, not required. Closes with how many there are of each.
std::string RenderLive(const v1::GetLiveResponse& response, const TimeText& time);

// `by`: what the rows are, such as "site".
std::string RenderAvailability(const v1::GetAvailabilityResponse& response, const std::string& by,
                               const TimeText& time);
// At most `rows_max` rows of each group; 0: all.
std::string RenderRanking(const v1::RankFaultsResponse& response, std::uint32_t rows_max,
                          const TimeText& time);
std::string RenderOutages(const v1::ListOutagesResponse& response, const TimeText& time);

std::string RenderComparison(const v1::CompareMachinesResponse& response, const TimeText& time);
std::string RenderTrends(const v1::JudgeTrendsResponse& response, const TimeText& time);
std::string RenderRestoration(const v1::GetRestorationResponse& response, const TimeText& time);
// At most `rows_max` rows; 0: all.
std::string RenderRepeats(const v1::RankRepeatsResponse& response, std::uint32_t rows_max, const TimeText& time);

std::string RenderReliability(const v1::GetReliabilityResponse& response, const std::string& by,
                              const TimeText& time);
std::string RenderMeanCumulative(const v1::GetMeanCumulativeResponse& response, const TimeText& time);
std::string RenderLosses(const v1::EstimateLossesResponse& response, const std::string& by, const TimeText& time);
std::string RenderCycleDrift(const v1::ListCycleDriftResponse& response, const TimeText& time);
std::string RenderSilentStops(const v1::ListSilentStopsResponse& response, const TimeText& time);
// At most `rows_max` machines; 0: all.
std::string RenderForecast(const v1::ForecastOutagesResponse& response, std::uint32_t rows_max, const TimeText& time);
std::string RenderAlarmQuality(const v1::GetAlarmQualityResponse& response, std::uint32_t rows_max,
                               const TimeText& time);
std::string RenderServiceMet(const v1::GetServiceMetResponse& response, const std::string& by, const TimeText& time);

std::string RenderOutage(const v1::GetOutageResponse& response, const TimeText& time);
std::string RenderWashRecord(const v1::GetWashRecordResponse& response, const TimeText& time);
std::string RenderHolds(const v1::ListHoldsResponse& response, const TimeText& time);

std::string RenderRejected(const v1::ListRejectedEventsResponse& response, const TimeText& time);
std::string RenderParked(const v1::ListParkedEventsResponse& response, const TimeText& time);
std::string RenderDiagnosis(const v1::DiagnoseResponse& response, const TimeText& time);

// "2026-07-01 00:00 to 2026-08-01 00:00 (Europe/Helsinki), as of 2026-08-02 09:10".
std::string WindowText(std::int64_t from_us, std::int64_t to_us, std::int64_t as_of_us, const TimeText& time);

// A line for each, or nothing.
std::string NotesText(const google::protobuf::RepeatedPtrField<std::string>& notes);

}  // namespace bayward::cli
