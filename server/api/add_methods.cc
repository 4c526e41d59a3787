#include "server/api/add_methods.h"
#include "server/api/figures_handlers.h"
#include "server/api/fleet_handlers.h"

namespace bayward {
absl::Status AddFiguresMethods(const FiguresHandlers& handlers, MethodTable& methods) {
  return Adder("bayward.v1.Figures", handlers, methods)
      .Add("GetAvailability", &FiguresHandlers::GetAvailability)
      .Add("RankFaults", &FiguresHandlers::RankFaults)
      .Add("ListOutages", &FiguresHandlers::ListOutages)
      .Add("CompareMachines", &FiguresHandlers::CompareMachines)
      .Add("JudgeTrends", &FiguresHandlers::JudgeTrends)
      .Add("GetRestoration", &FiguresHandlers::GetRestoration)
      .Add("RankRepeats", &FiguresHandlers::RankRepeats)
      .Add("GetReliability", &FiguresHandlers::GetReliability)
      .Add("GetMeanCumulative", &FiguresHandlers::GetMeanCumulative)
      .Add("EstimateLosses", &FiguresHandlers::EstimateLosses)
      .Add("ListCycleDrift", &FiguresHandlers::ListCycleDrift)
      .Add("ListSilentStops", &FiguresHandlers::ListSilentStops)
      .Add("ForecastOutages", &FiguresHandlers::ForecastOutages)
      .Add("GetAlarmQuality", &FiguresHandlers::GetAlarmQuality)
      .Add("GetServiceMet", &FiguresHandlers::GetServiceMet)
      .status();
}

absl::Status AddFleetMethods(const FleetHandlers& handlers, MethodTable& methods) {
  return Adder("bayward.v1.Fleet", handlers, methods)
      .Add("ListSites", &FleetHandlers::ListSites)
      .Add("ListMachines", &FleetHandlers::ListMachines)
      .Add("GetLive", &FleetHandlers::GetLive)
      .Add("DeclareFleet", &FleetHandlers::DeclareFleet)
      .Add("ExportFleet", &FleetHandlers::ExportFleet)
      .Add("ListRejectedEvents", &FleetHandlers::ListRejectedEvents)
      .Add("ListParkedEvents", &FleetHandlers::ListParkedEvents)
      .Add("Diagnose", &FleetHandlers::Diagnose)
      .status();
}

}  // namespace bayward
