// Answers the Figures service: resolves scope and window, reads histories, lets the figures libraries
// compute. Handlers are const and may run on several threads at once; each takes one fleet and one instant as
// now.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "bayward/v1/figures.pb.h"
#include "proto/common/clock.h"
#include "server/api/caller.h"
#include "server/api/method_table.h"
#include "server/model/fleet.h"
#include "server/store/epoch_names.h"
#include "server/store/history_store.h"

namespace bayward {

class HeldFigures;
class TimelineKeeper;

using FleetSource = std::function<std::shared_ptr<const Fleet>()>;

// All outlive the handlers.
struct FiguresSources {
  HistoryStore& histories;
  EpochNames& epochs;
  FleetSource fleet;
  const Clock& clock;
  std::string tzdata_version;
  // Null: every request reads its histories anew.
  TimelineKeeper* keeper = nullptr;
  // Null: no trend verdicts and no list of worse machines are held.
  HeldFigures* held = nullptr;
};

class FiguresHandlers {
 public:
  explicit FiguresHandlers(FiguresSources sources) : sources_(std::move(sources)) {}

  // Errors of all: NotFound for a scope that names what there is not; InvalidArgument for a window,
  // grouping, confidence or class that cannot be; the store's.

  // Rows by group name; a machine nobody ever observed has unknown time only, one out of service no required
  // time.
  absl::StatusOr<v1::GetAvailabilityResponse> GetAvailability(
      const Caller& caller, const v1::GetAvailabilityRequest& request) const;
  // Rows by group name, then rank.
  absl::StatusOr<v1::RankFaultsResponse> RankFaults(const Caller& caller,
                                                    const v1::RankFaultsRequest& request) const;
  // Outages with an instant in the window, latest beginning first; each with the down time of the whole
  // outage.
  absl::StatusOr<v1::ListOutagesResponse> ListOutages(const Caller& caller,
                                                      const v1::ListOutagesRequest& request) const;

  // By kind, the highest rate first.
  absl::StatusOr<v1::CompareMachinesResponse> CompareMachines(const Caller& caller,
                                                              const v1::CompareMachinesRequest& request) const;
  // Machines by name. InvalidArgument for a level outside (0, 0.5).
  absl::StatusOr<v1::JudgeTrendsResponse> JudgeTrends(const Caller& caller,
                                                      const v1::JudgeTrendsRequest& request) const;
  absl::StatusOr<v1::GetRestorationResponse> GetRestoration(const Caller& caller,
                                                            const v1::GetRestorationRequest& request) const;
  absl::StatusOr<v1::RankRepeatsResponse> RankRepeats(const Caller& caller,
                                                      const v1::RankRepeatsRequest& request) const;

  absl::StatusOr<v1::GetReliabilityResponse> GetReliability(
      const Caller& caller, const v1::GetReliabilityRequest& request) const;
  absl::StatusOr<v1::GetMeanCumulativeResponse> GetMeanCumulative(
      const Caller& caller, const v1::GetMeanCumulativeRequest& request) const;
  absl::StatusOr<v1::EstimateLossesResponse> EstimateLosses(
      const Caller& caller, const v1::EstimateLossesRequest& request) const;
  absl::StatusOr<v1::ListCycleDriftResponse> ListCycleDrift(
      const Caller& caller, const v1::ListCycleDriftRequest& request) const;
  absl::StatusOr<v1::ListSilentStopsResponse> ListSilentStops(
      const Caller& caller, const v1::ListSilentStopsRequest& request) const;
  absl::StatusOr<v1::ForecastOutagesResponse> ForecastOutages(
      const Caller& caller, const v1::ForecastOutagesRequest& request) const;
  absl::StatusOr<v1::GetAlarmQualityResponse> GetAlarmQuality(
      const Caller& caller, const v1::GetAlarmQualityRequest& request) const;
  absl::StatusOr<v1::GetServiceMetResponse> GetServiceMet(
      const Caller& caller, const v1::GetServiceMetRequest& request) const;

 private:
  FiguresSources sources_;
};

// `handlers` outlives `methods`.
absl::Status AddFiguresMethods(const FiguresHandlers& handlers, MethodTable& methods);

}  // namespace bayward
