#include "server/api/live_rows.h"

#include <algorithm>

#include "fmt/format.h"
#include "proto/common/fault_traits.h"
#include "server/api/live_words.h"

namespace bayward {
namespace {

template <class Row, class IdOf>
const Row* FindById(const std::vector<Row>& rows, IdOf id) {
  const auto row =
      std::lower_bound(rows.begin(), rows.end(), id, [](const Row& r, IdOf x) { return r.id < x; });
  return row != rows.end() && row->id == id ? &*row : nullptr;
}

v1::LiveFault MakeFault(const Spell& spell) {
  v1::LiveFault fault;
  fault.set_fault_class(static_cast<v1::FaultClass>(spell.fault_class));
  fault.set_name(FaultClassName(spell.fault_class));
  fault.set_effect(static_cast<v1::Effect>(spell.effect));
  fault.set_since_us(MicrosOrZero(spell.raised_at));
  fault.set_raw_code(spell.raw_code);
  fault.set_raw_text(spell.raw_text);
  return fault;
}

}  // namespace

const LiveMachine* FindLive(const LiveSnapshot& snapshot, MachineId machine) {
  return FindById(snapshot.machines, machine);
}
const LiveAgent* FindLive(const LiveSnapshot& snapshot, AgentId agent) {
  return FindById(snapshot.agents, agent);
}

v1::AgentRow MakeAgentRow(const LiveSnapshot& snapshot, const Agent& agent) {
  v1::AgentRow row;
  row.set_agent(agent.key);
  if (const Site* site = snapshot.fleet->FindSite(agent.site)) row.set_site(site->key);
  const LiveAgent* live = FindLive(snapshot, agent.id);
  if (live == nullptr) return row;
  row.set_connected(live->connected);
  row.set_last_seen_us(MicrosOrZero(live->last_seen));
  row.set_version(live->version);
  row.set_watermark(live->watermark);
  row.set_backlog_events(live->backlog_events);
  row.set_clock_offset_us(absl::ToInt64Microseconds(live->clock_offset));
  for (const CodeBookInUse& book : live->code_books) {
    row.add_code_books(fmt::format("{}: {} {}", book.machine, book.name, book.version));
  }
  return row;
}

v1::LiveMachine MakeLiveRow(const LiveSnapshot& snapshot, const Machine& machine, absl::Time now) {
  static const LiveMachine kNothingKnown{};
  const LiveMachine* found = FindLive(snapshot, machine.id);
  const LiveMachine& live = found != nullptr ? *found : kNothingKnown;
  const LiveAgent* agent = FindLive(snapshot, live.agent);
  v1::LiveMachine row;
  row.set_machine(machine.full_name);
  row.set_condition(static_cast<v1::Condition>(live.now.condition));
  row.set_since_us(MicrosOrZero(live.now.since));
  row.set_agent_connected(agent != nullptr && agent->connected);
  if (const Site* site = snapshot.fleet->FindSite(machine.site)) {
    row.set_why(WhyInWords({live, machine, *site, row.agent_connected(), now}));
  }
  for (const Spell* spell : FaultsInOrder(live)) *row.add_faults() = MakeFault(*spell);
  row.set_mode(static_cast<v1::Mode>(live.state.mode.mode));
  row.set_mode_reason(static_cast<v1::ModeReason>(live.state.mode.reason));
  row.set_as_of_us(MicrosOrZero(live.as_of));
  row.set_from_report(live.from_report);
  return row;
}

std::vector<v1::AgentRow> AgentRows(const LiveSnapshot& snapshot, SiteId site) {
  std::vector<v1::AgentRow> rows;
  for (const Agent& agent : snapshot.fleet->agents) {
    if (!site || agent.site == site) rows.push_back(MakeAgentRow(snapshot, agent));
  }
  std::sort(rows.begin(), rows.end(), [](const auto& a, const auto& b) { return a.agent() < b.agent(); });
  return rows;
}

}  // namespace bayward
