#include <algorithm>
#include <array>
#include <vector>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

// The order in which people want to see machines.
constexpr std::array kBySeverity = {v1::CONDITION_DOWN,     v1::CONDITION_UNKNOWN,
                                    v1::CONDITION_WITHHELD, v1::CONDITION_DEGRADED,
                                    v1::CONDITION_UP,       v1::CONDITION_NOT_REQUIRED};

std::size_t SeverityOf(v1::Condition condition) {
  return static_cast<std::size_t>(std::find(kBySeverity.begin(), kBySeverity.end(), condition) -
                                  kBySeverity.begin());
}

std::string WordOf(v1::Condition condition) {
  switch (condition) {
    case v1::CONDITION_UP: return "up";
    case v1::CONDITION_DEGRADED: return "degraded";
    case v1::CONDITION_DOWN: return "down";
    case v1::CONDITION_WITHHELD: return "withheld";
    case v1::CONDITION_UNKNOWN: return "unknown";
    case v1::CONDITION_NOT_REQUIRED: return "not required";
    default: return fmt::format("condition {}", static_cast<int>(condition));
  }
}

std::string Ago(std::int64_t micros, std::int64_t now_us) {
  if (micros == 0) return "never";
  const absl::Duration age = absl::Microseconds(now_us - micros);
  return age < absl::Seconds(1) ? "now" : ReadableDuration(age) + " ago";
}

std::string LongFor(const v1::LiveMachine& machine, std::int64_t now_us) {
  if (machine.since_us() == 0) return "";
  return ReadableDuration(absl::Microseconds(now_us - machine.since_us()));
}

std::string AgentsCell(const v1::SiteRow& site) {
  const auto silent = std::count_if(site.agents().begin(), site.agents().end(),
                                    [](const v1::AgentRow& agent) { return !agent.connected(); });
  if (site.agents().empty()) return "none";
  if (silent == 0)
    return site.agents_size() == 1 ? "connected" : fmt::format("all {} connected", site.agents_size());
  if (site.agents_size() == 1) return "not connected";
  return fmt::format("{} of {} not connected", silent, site.agents_size());
}

std::uint64_t BacklogOf(const v1::SiteRow& site) {
  std::uint64_t backlog = 0;
  for (const v1::AgentRow& agent : site.agents()) backlog += agent.backlog_events();
  return backlog;
}

std::string LiveSummary(const v1::GetLiveResponse& response) {
  std::vector<std::string> parts;
  for (const v1::Condition condition : kBySeverity) {
    const auto count = std::count_if(response.machines().begin(), response.machines().end(),
                                     [&](const v1::LiveMachine& m) { return m.condition() == condition; });
    if (count > 0) parts.push_back(fmt::format("{} {}", count, WordOf(condition)));
  }
  return fmt::format("{} machines: {}", response.machines_size(), absl::StrJoin(parts, ", "));
}

std::string HeldTable(const google::protobuf::RepeatedPtrField<v1::HeldEvent>& events, const TimeText& time) {
  Table table({{"received", Align::kLeft},
               {"agent", Align::kLeft, 10},
               {"machine", Align::kLeft, 10},
               {"sequence", Align::kRight},
               {"bytes", Align::kRight},
               {"reason", Align::kLeft, 16},
               {"detail", Align::kLeft, 16}});
  for (const v1::HeldEvent& event : events) {
    table.Add({time.Second(event.received_at_us()), event.agent(), event.machine(),
               std::to_string(event.sequence()), Count(event.payload().size()), event.reason(),
               event.detail()});
  }
  return table.Render();
}

template <class Response>
std::string RenderHeld(const Response& response, const char* what, const TimeText& time) {
  if (response.total() == 0) return fmt::format("No {} event.\n", what);
  return HeldTable(response.events(), time) + fmt::format("\n{} of {} {} events; times are {}.\n",
                                                          response.events_size(), Count(response.total()),
                                                          what, time.ZoneName());
}

}  // namespace

std::string RenderSites(const v1::ListSitesResponse& response) {
  if (response.sites().empty()) return "No site.\n";
  Table table({{"site", Align::kLeft, 14},
               {"name", Align::kLeft, 14},
               {"region", Align::kLeft, 10},
               {"time zone", Align::kLeft, 14},
               {"machines", Align::kRight},
               {"down", Align::kRight},
               {"agents", Align::kLeft},
               {"events to\ndeliver", Align::kRight}});
  for (const v1::SiteRow& site : response.sites()) {
    table.Add({site.site(), site.name(), site.region(), site.time_zone(), Count(site.machines()),
               Count(site.machines_down()), AgentsCell(site), Count(BacklogOf(site))});
  }
  return table.Render();
}

std::string RenderMachines(const v1::ListMachinesResponse& response) {
  if (response.machines().empty()) return "No machine.\n";
  Table table({{"machine", Align::kLeft, 16},
               {"name", Align::kLeft, 12},
               {"kind", Align::kLeft, 8},
               {"region", Align::kLeft, 8},
               {"agent", Align::kLeft, 10},
               {"depends on", Align::kLeft, 12},
               {"in service", Align::kLeft},
               {"retired", Align::kLeft}});
  for (const v1::MachineRow& machine : response.machines()) {
    table.Add({machine.machine(), machine.name(), machine.kind(), machine.region(),
               machine.agent().empty() ? "none" : machine.agent(), absl::StrJoin(machine.depends_on(), ", "),
               machine.in_service_from(), machine.retired_at()});
  }
  return table.Render();
}

std::string RenderLive(const v1::GetLiveResponse& response, const TimeText& time) {
  if (response.machines().empty()) return "No machine.\n";
  std::vector<const v1::LiveMachine*> machines;
  for (const v1::LiveMachine& machine : response.machines()) machines.push_back(&machine);
  std::stable_sort(machines.begin(), machines.end(), [](const v1::LiveMachine* a, const v1::LiveMachine* b) {
    return SeverityOf(a->condition()) < SeverityOf(b->condition());
  });
  Table table({{"machine", Align::kLeft, 14},
               {"condition", Align::kLeft},
               {"for", Align::kRight},
               {"why", Align::kLeft, 24},
               {"seen", Align::kRight}});
  bool reported = false;
  for (const v1::LiveMachine* machine : machines) {
    reported = reported || machine->from_report();
    table.Add({machine->machine(), WordOf(machine->condition()) + (machine->from_report() ? " *" : ""),
               LongFor(*machine, response.as_of_us()), machine->why(),
               Ago(machine->as_of_us(), response.as_of_us())});
  }
  std::string out = table.Render();
  out += fmt::format("\n{}; {} ({}).\n", LiveSummary(response), time.Second(response.as_of_us()),
                     time.ZoneName());
  if (reported) out += "* as its agent reports now; the history before is still being delivered.\n";
  return out;
}

std::string RenderRejected(const v1::ListRejectedEventsResponse& response, const TimeText& time) {
  return RenderHeld(response, "rejected", time);
}

std::string RenderParked(const v1::ListParkedEventsResponse& response, const TimeText& time) {
  return RenderHeld(response, "parked", time);
}

}  // namespace bayward::cli
