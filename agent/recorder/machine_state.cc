#include "agent/recorder/machine_state.h"

#include <algorithm>
#include <utility>

namespace bayward {

MachineState::MachineState(std::string machine, bool rehearsal) {
  now_.set_machine(std::move(machine));
  now_.set_rehearsal(rehearsal);
}

bool MachineState::Parse(const std::string& bytes) {
  v1::MachineNow found;
  if (!found.ParseFromString(bytes) || found.machine() != now_.machine()) return false;
  const bool rehearsal = now_.rehearsal();
  now_ = std::move(found);
  now_.set_rehearsal(rehearsal);
  return true;
}

void MachineState::Fold(const v1::Event& event) {
  v1::Snapshot& state = *now_.mutable_state();
  switch (event.what_case()) {
    case v1::Event::kObservationStarted:
      now_.set_observed(true);
      break;
    case v1::Event::kObservationLost:
      now_.set_observed(false);
      break;
    case v1::Event::kFaultRaised:
      Raise(event.fault_raised());
      break;
    case v1::Event::kFaultCleared:
      Clear(event.fault_cleared().fault_class());
      break;
    case v1::Event::kCycleStarted:
      OpenCycle(event.cycle_started().cycle());
      break;
    case v1::Event::kCycleFinished:
      CloseCycle(event.cycle_finished().cycle());
      break;
    case v1::Event::kModeChanged:
      state.set_mode(event.mode_changed().mode());
      state.set_reason(event.mode_changed().reason());
      break;
    case v1::Event::kSnapshot:
      state = event.snapshot();
      break;
    default:
      break;
  }
}

void MachineState::Raise(const v1::FaultRaised& raised) {
  Clear(raised.fault_class());
  v1::ActiveFault& fault = *now_.mutable_state()->add_faults();
  fault.set_fault_class(raised.fault_class());
  fault.set_effect(raised.effect());
  fault.set_priority(raised.priority());
  fault.set_raw_code(raised.raw_code());
  fault.set_raw_text(raised.raw_text());
  fault.set_origin(raised.origin());
}

void MachineState::Clear(v1::FaultClass fault_class) {
  auto& faults = *now_.mutable_state()->mutable_faults();
  faults.erase(
      std::remove_if(faults.begin(), faults.end(),
                     [fault_class](const auto& fault) { return fault.fault_class() == fault_class; }),
      faults.end());
}

void MachineState::OpenCycle(const std::string& cycle) {
  CloseCycle(cycle);
  auto& open = *now_.mutable_state()->mutable_open_cycles();
  *open.Add() = cycle;
  if (open.size() > kOpenCyclesMax) open.erase(open.begin());
}

void MachineState::CloseCycle(const std::string& cycle) {
  auto& open = *now_.mutable_state()->mutable_open_cycles();
  open.erase(std::remove(open.begin(), open.end(), cycle), open.end());
}

v1::Snapshot MachineState::Bounded(v1::Snapshot snapshot) {
  if (snapshot.ByteSizeLong() <= kSnapshotBytesMax) return snapshot;
  for (v1::ActiveFault& fault : *snapshot.mutable_faults()) fault.clear_raw_text();
  if (snapshot.ByteSizeLong() <= kSnapshotBytesMax) return snapshot;
  for (v1::ActiveFault& fault : *snapshot.mutable_faults()) fault.clear_raw_code();
  while (snapshot.ByteSizeLong() > kSnapshotBytesMax && !snapshot.open_cycles().empty()) {
    snapshot.mutable_open_cycles()->erase(snapshot.mutable_open_cycles()->begin());
  }
  return snapshot;
}

}  // namespace bayward
