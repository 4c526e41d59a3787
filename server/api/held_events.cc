#include <memory>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/fleet_handlers.h"
#include "server/api/scope.h"

namespace bayward {
namespace {

constexpr std::uint32_t kHeldDefault = 100;
constexpr std::uint32_t kHeldMax = 1'000;

using ListFunction = absl::StatusOr<HeldEvents> (HeldEventStore::*)(std::span<const SiteId>, std::uint32_t);

v1::HeldEvent ToProto(const Fleet& fleet, HeldEventRow& row) {
  v1::HeldEvent event;
  const Agent* agent = fleet.FindAgent(row.agent);
  // Whoever sent it may not be declared any more.
  event.set_agent(agent != nullptr ? agent->key : fmt::format("agent {}", row.agent.value));
  event.set_machine(std::move(row.machine));
  event.set_epoch(std::move(row.epoch));
  event.set_sequence(row.sequence);
  event.set_received_at_us(absl::ToUnixMicros(row.received_at));
  event.set_reason(std::move(row.reason));
  event.set_detail(std::move(row.detail));
  event.set_payload(std::move(row.payload));
  return event;
}

template <class Response, class Request>
absl::StatusOr<Response> List(const LiveFleet& live, HeldEventStore& store, ListFunction list,
                              const Request& request) {
  if (!request.scope().machines().empty() || !request.scope().kinds().empty()) {
    return InvalidArgument(
        "scope: expected regions and sites only; held events are of machines as the agent named them");
  }
  if (request.rows_max() > kHeldMax) {
    return InvalidArgument("rows_max: expected at most {}, found {}", kHeldMax, request.rows_max());
  }
  const std::shared_ptr<const LiveSnapshot> snapshot = live.Current();
  if (snapshot == nullptr || snapshot->fleet == nullptr) {
    return Unavailable("the declared fleet has not been read yet; ask again in a moment");
  }
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*snapshot->fleet, request.scope()));
  std::vector<SiteId> sites;
  for (const Site* site : selection.sites) sites.push_back(site->id);
  BAYWARD_ASSIGN_OR_RETURN(HeldEvents held,
                           (store.*list)(sites, request.rows_max() == 0 ? kHeldDefault : request.rows_max()));
  Response response;
  response.set_total(held.total);
  for (HeldEventRow& row : held.rows) *response.add_events() = ToProto(*snapshot->fleet, row);
  return response;
}

}  // namespace

absl::StatusOr<v1::ListRejectedEventsResponse> FleetHandlers::ListRejectedEvents(
    const Caller&, const v1::ListRejectedEventsRequest& request) const {
  return List<v1::ListRejectedEventsResponse>(sources_.live, sources_.held_events,
                                              &HeldEventStore::ListRejected, request);
}

absl::StatusOr<v1::ListParkedEventsResponse> FleetHandlers::ListParkedEvents(
    const Caller&, const v1::ListParkedEventsRequest& request) const {
  return List<v1::ListParkedEventsResponse>(sources_.live, sources_.held_events, &HeldEventStore::ListParked,
                                            request);
}

}  // namespace bayward
