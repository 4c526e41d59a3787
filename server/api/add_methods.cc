#include <string>
#include <string_view>

#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/fleet_handlers.h"

namespace bayward {
namespace {

// Adds handler methods of one service by name; stops at the first that cannot be added.
template <class Handlers>
class Adder {
 public:
  Adder(std::string service, const Handlers& handlers, MethodTable& methods)
      : service_(std::move(service)), handlers_(handlers), methods_(methods) {}

  template <class Request, class Response>
  Adder& Add(std::string_view name,
             absl::StatusOr<Response> (Handlers::*method)(const Caller&, const Request&) const) {
    if (!status_.ok()) return *this;
    status_ = methods_.Add<Request, Response>(
        std::string(service_).append("/").append(name),
        [&handlers = handlers_, method](const Caller& caller, const Request& request) {
          return (handlers.*method)(caller, request);
        });
    return *this;
  }

  const absl::Status& status() const { return status_; }

 private:
  const std::string service_;
  const Handlers& handlers_;
  MethodTable& methods_;
  absl::Status status_;
};

}  // namespace

absl::Status AddFiguresMethods(const FiguresHandlers& handlers, MethodTable& methods) {
  return Adder("bayward.v1.Figures", handlers, methods)
      .Add("GetAvailability", &FiguresHandlers::GetAvailability)
      .Add("RankFaults", &FiguresHandlers::RankFaults)
      .Add("ListOutages", &FiguresHandlers::ListOutages)
      .Add("CompareMachines", &FiguresHandlers::CompareMachines)
      .Add("JudgeTrends", &FiguresHandlers::JudgeTrends)
      .Add("GetRestoration", &FiguresHandlers::GetRestoration)
      .Add("RankRepeats", &FiguresHandlers::RankRepeats)
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
