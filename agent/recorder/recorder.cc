#include "agent/recorder/recorder.h"

#include <algorithm>

#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr absl::Duration kEffectiveAtMost = absl::Hours(1);  // before an event was recorded

}  // namespace

Recorder::Recorder(RecorderOptions options, Spool& spool) : options_(std::move(options)), spool_(spool) {
  absl::MutexLock lock(&mutex_);
  for (const RecorderOptions::Machine& machine : options_.machines) {
    machines_.emplace(machine.name, Machine(MachineState(machine.name, machine.rehearses)));
  }
  LookAtClock();
  synced_at_ = monotonic_looked_at_;
}

void Recorder::Start() {
  {
    absl::MutexLock lock(&mutex_);
    const SpoolFound& found = spool_.found();
    const absl::Time now = options_.clock->Now();
    rehearsed_ = found.alive.rehearsed;
    delivered_ = found.alive.delivered;
    alive_written_ = found.alive.wall;
    const Loss stopped = {
        found.alive.wall.has_value() ? std::optional(std::min(*found.alive.wall, now)) : std::nullopt,
        v1::LOSS_REASON_AGENT_STOPPED, "the agent was not running"};
    for (const auto& [name, bytes] : found.states) {
      auto known = machines_.find(name);
      if (known == machines_.end()) {
        // No longer watched: its loss is recorded, then it is forgotten.
        states_to_forget_[name] = "";
        v1::MachineNow earlier;
        earlier.ParseFromString(bytes);
        known = machines_.emplace(name, Machine(MachineState(name, earlier.rehearsal()))).first;
      }
      MachineState& state = known->second.state;
      if (state.Parse(bytes) && state.observed() && !state.rehearsal()) known->second.loss_owed = stopped;
    }
    if (found.damage.has_value())
      OweLossOfAll({delivered_, v1::LOSS_REASON_SPOOL_DAMAGED, *found.damage}, false);
    CommitOwed();
  }
  Changed();
}

absl::Status Recorder::Record(v1::Event event) {
  if (event.machine().empty() || event.what_case() == v1::Event::WHAT_NOT_SET) {
    return InvalidArgument("an event needs a machine and what happened");
  }
  absl::Status status;
  {
    absl::MutexLock lock(&mutex_);
    if (!event.rehearsal()) Date(event);
    const std::vector<v1::Event> events = {std::move(event)};
    status = Commit(events, std::nullopt);
    if (!status.ok()) spool_.NoteLost(events, fmt::format("not recorded: {}", Message(status)));
  }
  if (status.ok()) Changed();
  return status;
}

absl::Status Recorder::RecordAll(const std::vector<v1::Event>& events, std::string_view source,
                                 std::string_view mark) {
  absl::Status status;
  {
    absl::MutexLock lock(&mutex_);
    const Mark reached = {std::string(source), std::string(mark)};
    const bool dated =
        std::all_of(events.begin(), events.end(), [](const auto& event) { return event.rehearsal(); });
    if (dated) {
      status = Commit(events, reached);
    } else {
      std::vector<v1::Event> copies = events;
      for (v1::Event& event : copies) {
        if (!event.rehearsal()) Date(event);
      }
      status = Commit(copies, reached);
    }
  }
  if (status.ok()) Changed();
  return status;
}

absl::StatusOr<std::string> Recorder::LastMark(std::string_view source) {
  return spool_.Mark(std::string(source));
}

void Recorder::SourceGood(std::string_view machine, const v1::Snapshot& now) {
  {
    absl::MutexLock lock(&mutex_);
    At(machine).good_owed = MachineState::Bounded(now);
    CommitOwed();
  }
  Changed();
}

void Recorder::SourceLost(std::string_view machine, absl::Time from, v1::LossReason reason,
                          std::string_view detail) {
  {
    absl::MutexLock lock(&mutex_);
    Machine& lost = At(machine);
    lost.good_owed.reset();
    // Of two losses with nothing between them the first tells more.
    if (!lost.loss_owed.has_value()) lost.loss_owed = {from, reason, std::string(detail)};
    CommitOwed();
  }
  Changed();
}

void Recorder::Alive(absl::Time until) {
  absl::MutexLock lock(&mutex_);
  rehearsed_ = until;
}

void Recorder::Tick() {
  bool changed = false;
  {
    absl::MutexLock lock(&mutex_);
    if (OwesAnything()) {
      CommitOwed();
      changed = true;
    }
    // A step that could not be recorded is looked at again.
    if (!ClockStep().has_value()) LookAtClock();
    if (spool_.Counts().unacknowledged == 0) delivered_ = options_.clock->Now();
    if (options_.clock->Monotonic() - synced_at_ >= kSyncEvery) SyncLocked();
  }
  if (changed) Changed();
}

void Recorder::Sync() {
  absl::MutexLock lock(&mutex_);
  CommitOwed();
  SyncLocked();
}

void Recorder::SyncLocked() {
  synced_at_ = options_.clock->Monotonic();
  const AliveUntil alive = AliveNow();
  const absl::Status status = spool_.Sync(alive);
  if (status.ok()) {
    alive_written_ = alive.wall;
  } else if (absl::IsDataLoss(status)) {
    ReplaceSpool();
  } else {
    spdlog::warn("agent {}: {}", options_.agent, Message(status));
  }
}

void Recorder::SetChanged(std::function<void()> changed) {
  absl::MutexLock lock(&changed_mutex_);
  changed_ = std::move(changed);
}

void Recorder::Changed() {
  absl::MutexLock lock(&changed_mutex_);
  if (changed_) changed_();
}

v1::LiveReport Recorder::Live() const {
  absl::MutexLock lock(&mutex_);
  v1::LiveReport report;
  const SpoolPosition last = spool_.Last();
  report.set_epoch(last.epoch);
  report.set_at_sequence(last.sequence);
  report.set_as_of_us(absl::ToUnixMicros(ObservedUntil().value_or(options_.clock->Now())));
  for (const auto& [name, machine] : machines_) {
    v1::MachineNow& now = *report.add_machines();
    now = machine.state.now();
    *now.mutable_state() = machine.state.Snapshot();
  }
  return report;
}

v1::Heartbeat Recorder::Heartbeat() const {
  absl::MutexLock lock(&mutex_);
  v1::Heartbeat heartbeat;
  const SpoolPosition last = spool_.Last();
  const SpoolCounts counts = spool_.Counts();
  heartbeat.set_epoch(last.epoch);
  heartbeat.set_last_sequence(last.sequence);
  // What is owed is known but not recorded: to claim more would hide it.
  if (const auto until = ObservedUntil(); until.has_value() && !OwesAnything()) {
    heartbeat.set_alive_until_us(absl::ToUnixMicros(*until));
  }
  heartbeat.set_spool_events(counts.unacknowledged);
  heartbeat.set_spool_bytes(counts.bytes);
  heartbeat.set_spool_bytes_max(counts.bytes_max);
  heartbeat.set_dropped_events(counts.dropped);
  heartbeat.set_wall_us(absl::ToUnixMicros(options_.clock->Now()));
  heartbeat.set_monotonic_us(absl::ToInt64Microseconds(options_.clock->Monotonic()));
  heartbeat.set_clock(ClockStateLocked());
  return heartbeat;
}

v1::ClockState Recorder::ClockStateNow() const {
  absl::MutexLock lock(&mutex_);
  return ClockStateLocked();
}

void Recorder::RecordSnapshots(const std::vector<std::string>& machines, const SpoolPosition& acknowledged) {
  bool recorded = false;
  {
    absl::MutexLock lock(&mutex_);
    const std::string epoch = spool_.Last().epoch;
    std::vector<v1::Event> events;
    for (const std::string& name : machines) {
      const auto found = machines_.find(name);
      if (found == machines_.end() || !found->second.state.observed())
        continue;  // it is not known here either
      const SpoolPosition& last = found->second.snapshot;
      const bool read = acknowledged.epoch == epoch && acknowledged.sequence >= last.sequence;
      if (last.epoch == epoch && !read) continue;
      events.push_back(SnapshotOf(found->second));
    }
    if (events.empty()) return;
    const absl::Status status = Commit(events, std::nullopt);
    recorded = status.ok();
    if (!recorded) spdlog::warn("agent {}: no snapshot for the server: {}", options_.agent, Message(status));
  }
  if (recorded) Changed();
}

absl::Status Recorder::StartNewEpoch(const std::string& epoch, std::string_view reason) {
  {
    absl::MutexLock lock(&mutex_);
    const bool own = spool_.Last().epoch == epoch;
    BAYWARD_RETURN_IF_ERROR(spool_.BeginEpoch());
    BAYWARD_RETURN_IF_ERROR(spool_.Forget(epoch));
    // The state that the disk went back to was written then.
    OweLossOfAll({own ? alive_written_ : spool_.found().alive.wall, v1::LOSS_REASON_IMAGE_RESTORED,
                  std::string(reason)},
                 true);
    CommitOwed();
  }
  Changed();
  return absl::OkStatus();
}

void Recorder::ReplaceDamagedSpool() {
  {
    absl::MutexLock lock(&mutex_);
    ReplaceSpool();
    CommitOwed();
  }
  Changed();
}

v1::Event Recorder::Dated(std::string_view machine) const {
  v1::Event event;
  event.set_machine(std::string(machine));
  Date(event);
  return event;
}

void Recorder::Date(v1::Event& event) const {
  const absl::Time now = options_.clock->Now();
  event.set_recorded_at_us(absl::ToUnixMicros(now));
  event.set_monotonic_us(absl::ToInt64Microseconds(options_.clock->Monotonic()));
  event.set_clock(ClockStateLocked());
  if (event.effective_at_us() == 0) return;
  event.set_effective_at_us(std::clamp(event.effective_at_us(), absl::ToUnixMicros(now - kEffectiveAtMost),
                                       event.recorded_at_us()));
}

v1::Event Recorder::SnapshotOf(const Machine& machine) const {
  v1::Event event = Dated(machine.state.now().machine());
  if (machine.state.rehearsal()) {
    event.set_rehearsal(true);
    event.set_clock(v1::CLOCK_STATE_SIMULATED);
    event.set_recorded_at_us(absl::ToUnixMicros(rehearsed_.value_or(options_.clock->Now())));
  }
  *event.mutable_snapshot() = machine.state.Snapshot();
  return event;
}

Recorder::Machine& Recorder::At(std::string_view machine) {
  const auto found = machines_.find(machine);
  if (found != machines_.end()) return found->second;
  return machines_.emplace(std::string(machine), Machine(MachineState(std::string(machine), false)))
      .first->second;
}

AliveUntil Recorder::AliveNow() const { return {options_.clock->Now(), rehearsed_, delivered_}; }

std::optional<absl::Time> Recorder::ObservedUntil() const {
  const auto rehearses = [](const auto& entry) { return entry.second.state.rehearsal(); };
  const absl::Time now = options_.clock->Now();
  if (std::none_of(machines_.begin(), machines_.end(), rehearses)) return now;
  if (!rehearsed_.has_value()) return std::nullopt;
  return std::min(*rehearsed_, now);
}

void Recorder::LookAtClock() {
  wall_looked_at_ = options_.clock->Now();
  monotonic_looked_at_ = options_.clock->Monotonic();
}

v1::ClockState Recorder::ClockStateLocked() const {
  clock_was_synced_ = clock_was_synced_ || options_.clock_synced();
  return clock_was_synced_ ? v1::CLOCK_STATE_SYNCED : v1::CLOCK_STATE_UNSYNCED;
}

std::optional<std::pair<absl::Time, absl::Time>> Recorder::ClockStep() const {
  const absl::Time now = options_.clock->Now();
  const absl::Time expected = wall_looked_at_ + (options_.clock->Monotonic() - monotonic_looked_at_);
  if (absl::AbsDuration(now - expected) < kClockStep) return std::nullopt;
  return std::pair(expected, now);
}

}  // namespace bayward
