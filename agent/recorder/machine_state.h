// What holds at one machine, folded from its events. Thread-compatible.
#pragma once

#include <string>

#include "bayward/v1/event.pb.h"
#include "bayward/v1/uplink.pb.h"

namespace bayward {

class MachineState {
 public:
  static constexpr int kOpenCyclesMax = 64;                 // the oldest give way
  static constexpr std::size_t kSnapshotBytesMax = 15'000;  // an event has at most 16 KiB

  MachineState(std::string machine, bool rehearsal);

  // What an earlier process wrote by Serialize; false where it cannot be read.
  bool Parse(const std::string& bytes);
  std::string Serialize() const { return now_.SerializeAsString(); }

  void Fold(const v1::Event& event);

  bool observed() const { return now_.observed(); }
  bool rehearsal() const { return now_.rehearsal(); }
  const v1::MachineNow& now() const { return now_; }
  // Without the controller's texts where they would make it too large.
  v1::Snapshot Snapshot() const { return Bounded(now_.state()); }
  static v1::Snapshot Bounded(v1::Snapshot snapshot);

 private:
  void Raise(const v1::FaultRaised& raised);
  void Clear(v1::FaultClass fault_class);
  void OpenCycle(const std::string& cycle);
  void CloseCycle(const std::string& cycle);

  v1::MachineNow now_;
};

}  // namespace bayward
