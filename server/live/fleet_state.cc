#include "server/live/fleet_state.h"

#include <algorithm>
#include <utility>

#include "bayward/v1/uplink.pb.h"
#include "proto/common/fault_traits.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

// What an agent says of a machine now, as a state.
MachineState StateOfReport(const v1::MachineNow& now, absl::Time as_of, const MachineState& stored) {
  MachineState state;
  state.observed = now.observed();
  state.snapshot_due = false;
  state.last_at = as_of;
  state.mode.mode = now.state().mode() == v1::MODE_UNSPECIFIED ? Mode::kInService : static_cast<Mode>(now.state().mode());
  state.mode.reason = static_cast<ModeReason>(now.state().reason());
  state.mode.from = stored.mode.mode == state.mode.mode ? stored.mode.from : as_of;
  for (const auto& fault : now.state().faults()) {
    const FaultClassInfo* info = FindFaultClass(fault.fault_class());
    if (info == nullptr) continue;
    Spell& spell = state.spells.emplace_back();
    spell.fault_class = fault.fault_class();
    const auto effect = fault.effect() != v1::EFFECT_UNSPECIFIED ? fault.effect() : info->traits.default_effect();
    const auto origin = fault.origin() != v1::ORIGIN_UNSPECIFIED ? fault.origin() : info->traits.origin();
    spell.effect = static_cast<Effect>(effect);
    spell.origin = static_cast<Origin>(origin);
    spell.priority = fault.priority();
    spell.raw_code = fault.raw_code();
    spell.raw_text = fault.raw_text();
    // The report does not say since when; the timeline may.
    auto known = std::find_if(stored.spells.begin(), stored.spells.end(),
                              [&](const Spell& s) { return s.fault_class == spell.fault_class; });
    spell.raised_at = known != stored.spells.end() ? known->raised_at : as_of;
    spell.rehearsal = now.rehearsal();
  }
  state.down_under_mode = DownUnderModeByTimes(state);
  return state;
}

// Whether a report says more than what was delivered: its epoch may not even have begun here.
bool IsAhead(const StoredReport& report, const StoredProgress& progress) {
  if (report.epoch == progress.epoch) return report.at_sequence > progress.watermark;
  return report.as_of > progress.observed_until;
}

void Accrue(const LiveMachine& machine, double seconds, SeenSeconds& seen) {
  if (!machine.required) return;
  seen.required += seconds;
  switch (machine.now.condition) {
    case Condition::kUp: seen.up += seconds; break;
    case Condition::kDegraded: seen.degraded += seconds; break;
    case Condition::kDown: seen.down += seconds; break;
    case Condition::kWithheld: seen.withheld += seconds; break;
    case Condition::kUnknown: seen.unknown += seconds; break;
    case Condition::kNotRequired: break;
  }
}

// Rehearsal material counts only in a demonstration fleet.
MachineState Counted(MachineState state, bool demonstration) {
  if (demonstration) return state;
  std::erase_if(state.spells, [](const Spell& spell) { return spell.rehearsal; });
  if (state.span.rehearsal) state.observed = false;
  if (state.mode.rehearsal) state.mode = ModeSpan{.mode = Mode::kInService, .from = absl::InfinitePast()};
  return state;
}

}  // namespace

FleetState::FleetState(LiveStore& store, FleetSource fleet, AgentSource agents, const Clock& clock,
                       FleetStateOptions options)
    : store_(store), fleet_(std::move(fleet)), heard_(std::move(agents)), clock_(clock), options_(options) {
  auto empty = std::make_shared<LiveSnapshot>();
  empty->as_of = clock_.Now();
  empty->fleet = fleet_();
  if (empty->fleet == nullptr) empty->fleet = std::make_shared<Fleet>();
  current_ = std::move(empty);
}

FleetState::~FleetState() { Stop(); }

std::shared_ptr<const LiveSnapshot> FleetState::Current() const {
  absl::MutexLock lock(&mutex_);
  return current_;
}

absl::Time FleetState::refreshed_at() const {
  absl::MutexLock lock(&mutex_);
  return refreshed_at_;
}

absl::Status FleetState::Refresh() {
  const absl::Status status = store_.Poll(rows_);
  const absl::Time now = clock_.Now();
  Publish(now);
  if (status.ok()) {
    absl::MutexLock lock(&mutex_);
    refreshed_at_ = now;
  }
  return status;
}

std::vector<LiveAgent> FleetState::MergedAgents(const Fleet& fleet) const {
  absl::flat_hash_map<AgentId, LiveAgent> known(rows_.presence.begin(), rows_.presence.end());
  for (LiveAgent& agent : heard_()) {
    LiveAgent& row = known[agent.id];
    // Another server may have heard it later than we did.
    if (agent.connected || agent.last_seen >= row.last_seen) row = std::move(agent);
  }
  std::vector<LiveAgent> agents;
  for (const Agent& declared : fleet.agents) {
    LiveAgent& agent = agents.emplace_back(std::move(known[declared.id]));
    agent.id = declared.id;
    if (auto progress = rows_.progress.find(declared.id); progress != rows_.progress.end()) {
      agent.watermark = progress->second.watermark;
    }
  }
  std::sort(agents.begin(), agents.end(), [](const LiveAgent& a, const LiveAgent& b) { return a.id < b.id; });
  return agents;
}

bool FleetState::RequiredNow(const Machine& machine, std::int64_t fleet_version, absl::Time now) {
  RequiredCache& cache = required_[machine.id];
  if (cache.fleet_version != fleet_version || !cache.computed.contains(now)) {
    cache.fleet_version = fleet_version;
    cache.computed = {now - absl::Hours(1), now + absl::Hours(24)};
    cache.required = RequiredTime(machine.calendar, cache.computed);
  }
  return cache.required.contains(now);
}

LiveMachine FleetState::View(const Fleet& fleet, const Machine& machine, absl::Time now) const {
  LiveMachine view;
  view.id = machine.id;
  auto assigned = fleet.assignments_of.find(machine.id);
  if (assigned == fleet.assignments_of.end()) return view;
  for (const std::size_t i : assigned->second) {
    const Assignment& assignment = fleet.assignments[i];
    if (now < assignment.from || assignment.to <= now) continue;
    view.agent = assignment.agent;
    auto open = rows_.machines.find(assignment.id);
    if (open != rows_.machines.end()) {
      view.state = open->second.state;
      view.cycles_completed = open->second.cycles_completed;
      view.cycles_aborted = open->second.cycles_aborted;
    }
  }
  auto agent = agent_by_id_.find(view.agent);
  if (agent == agent_by_id_.end()) return view;
  const bool heard = agent->second->connected && now - agent->second->last_seen <= options_.silent_after;
  view.as_of = heard ? now : agent->second->last_seen;
  auto report = rows_.reports.find(view.agent);
  auto progress = rows_.progress.find(view.agent);
  if (report != rows_.reports.end() && progress != rows_.progress.end() &&
      IsAhead(report->second, progress->second)) {
    v1::LiveReport parsed;
    if (parsed.ParseFromString(report->second.report)) {
      for (const auto& machine_now : parsed.machines()) {
        if (machine_now.machine() != machine.key) continue;
        view.state = StateOfReport(machine_now, report->second.as_of, view.state);
        view.from_report = true;
      }
    }
  }
  view.state = Counted(std::move(view.state), fleet.demonstration);
  view.observed = heard && view.state.observed;
  return view;
}

void FleetState::Publish(absl::Time now) {
  const std::shared_ptr<const Fleet> fleet = fleet_();
  if (fleet == nullptr) return;
  auto snapshot = std::make_shared<LiveSnapshot>();
  snapshot->as_of = now;
  snapshot->fleet = fleet;
  agents_ = MergedAgents(*fleet);
  agent_by_id_.clear();
  for (const LiveAgent& agent : agents_) agent_by_id_[agent.id] = &agent;
  // A stopped process or a stepped clock must not accrue the gap.
  const double seconds = accrued_at_ == absl::InfinitePast()
                             ? 0 : std::clamp(absl::ToDoubleSeconds(now - accrued_at_), 0.0, 60.0);
  accrued_at_ = now;
  snapshot->machines.reserve(fleet->machines.size());
  for (const Machine& machine : fleet->machines) {
    LiveMachine& view = snapshot->machines.emplace_back(View(*fleet, machine, now));
    view.required = RequiredNow(machine, fleet->version, now);
    view.now = ConditionNow(view.state, view.observed, view.required);
    SeenSeconds& seen = seen_[machine.id];
    Accrue(view, seconds, seen);
    view.seen = seen;
  }
  snapshot->agents = agents_;
  absl::MutexLock lock(&mutex_);
  current_ = std::move(snapshot);
}

void FleetState::Start() {
  thread_ = std::thread([this] {
    bool failing = false;
    while (!stop_.WaitFor(options_.poll_interval)) {
      const absl::Status status = Refresh();
      if (!status.ok() && !failing) spdlog::warn("live states cannot be read: {}", Message(status));
      if (status.ok() && failing) spdlog::info("live states are read again");
      failing = !status.ok();
    }
  });
}

void FleetState::Stop() {
  stop_.Stop();
  if (thread_.joinable()) thread_.join();
}

}  // namespace bayward
