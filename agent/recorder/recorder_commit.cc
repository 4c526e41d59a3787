// The part of Recorder that writes, and remembers what is owed.
#include <algorithm>
#include <utility>

#include "agent/recorder/recorder.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {

void Recorder::ReplaceSpool() {
  const auto found = spool_.SetAside();
  if (!found.ok()) {
    spdlog::error("agent {}: no new spool: {}", options_.agent, Message(found.status()));
    return;
  }
  // What had been recorded since was there to be delivered, and is gone.
  OweLossOfAll({delivered_, v1::LOSS_REASON_SPOOL_DAMAGED, found->damage.value_or("")}, true);
}

void Recorder::OweLossOfAll(const Loss& loss, bool goes_on) {
  for (auto& [name, machine] : machines_) {
    if (machine.state.rehearsal()) continue;
    const bool holds = machine.state.observed() && !machine.loss_owed.has_value();
    if (goes_on && holds && !machine.good_owed.has_value()) machine.good_owed = machine.state.Snapshot();
    machine.loss_owed = loss;
  }
}

absl::Status Recorder::Commit(const std::vector<v1::Event>& events, const std::optional<Mark>& mark) {
  absl::Status status = TryCommit(events, mark);
  if (absl::IsDataLoss(status)) {
    ReplaceSpool();
    status = TryCommit(events, mark);
  }
  return status;
}

absl::Status Recorder::TryCommit(const std::vector<v1::Event>& events, const std::optional<Mark>& mark) {
  SpoolWrite write;
  write.events = Owed();
  write.events.insert(write.events.end(), events.begin(), events.end());
  write.alive = AliveNow();
  write.mark = mark;
  write.states = states_to_forget_;
  std::map<std::string, MachineState> after;
  for (const v1::Event& event : write.events) {
    if (event.machine().empty() || states_to_forget_.contains(event.machine())) continue;
    const auto [state, added] = after.try_emplace(event.machine(), At(event.machine()).state);
    state->second.Fold(event);
  }
  for (const auto& [name, state] : after) write.states[name] = state.Serialize();
  const auto last = spool_.Write(write);
  BAYWARD_RETURN_IF_ERROR(last.status());
  for (auto& [name, state] : after) At(name).state = std::move(state);
  alive_written_ = write.alive.wall;
  Committed(write.events, *last);
  return absl::OkStatus();
}

void Recorder::Committed(const std::vector<v1::Event>& events, const SpoolPosition& last) {
  for (std::size_t i = 0; i < events.size(); ++i) {
    if (events[i].has_snapshot())
      At(events[i].machine()).snapshot = {last.epoch, last.sequence - (events.size() - 1 - i)};
  }
  for (auto& [name, machine] : machines_) {
    machine.loss_owed.reset();
    machine.good_owed.reset();
  }
  for (const auto& [name, nothing] : states_to_forget_) machines_.erase(name);
  states_to_forget_.clear();
  LookAtClock();
  if (failure_told_) spdlog::info("agent {}: recording goes on", options_.agent);
  failure_told_ = false;
}

void Recorder::CommitOwed() {
  if (!OwesAnything() && states_to_forget_.empty()) return;
  const absl::Status status = Commit({}, std::nullopt);
  if (!status.ok() && !failure_told_) {
    spdlog::error("agent {}: recording is held up: {}", options_.agent, Message(status));
    failure_told_ = true;
  }
}

bool Recorder::OwesAnything() const {
  if (ClockStep().has_value()) return true;
  return std::any_of(machines_.begin(), machines_.end(), [](const auto& entry) {
    return entry.second.loss_owed.has_value() || entry.second.good_owed.has_value();
  });
}

std::vector<v1::Event> Recorder::Owed() const {
  std::vector<v1::Event> owed;
  const auto step = ClockStep();
  for (const auto& [name, machine] : machines_) {
    if (step.has_value() && !machine.state.rehearsal()) {
      v1::Event event = Dated(name);
      event.mutable_clock_stepped()->set_from_us(absl::ToUnixMicros(step->first));
      event.mutable_clock_stepped()->set_to_us(absl::ToUnixMicros(step->second));
      owed.push_back(std::move(event));
    }
    if (machine.loss_owed.has_value()) {
      v1::Event event = Dated(name);
      v1::ObservationLost& lost = *event.mutable_observation_lost();
      if (machine.loss_owed->from.has_value()) lost.set_from_us(absl::ToUnixMicros(*machine.loss_owed->from));
      lost.set_reason(machine.loss_owed->reason);
      lost.set_detail(machine.loss_owed->detail);
      owed.push_back(std::move(event));
    }
    if (machine.good_owed.has_value()) {
      if (!machine.state.observed() || machine.loss_owed.has_value()) {
        v1::Event event = Dated(name);
        event.mutable_observation_started();
        owed.push_back(std::move(event));
      }
      v1::Event event = Dated(name);
      *event.mutable_snapshot() = *machine.good_owed;
      owed.push_back(std::move(event));
    }
  }
  return owed;
}

}  // namespace bayward
