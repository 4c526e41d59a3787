// Turns the values read from one machine's Modbus controller into changes of its faults, cycle and mode.
// Pure: values and instants are passed in; thread-compatible.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "agent/conditioner/machine_watch.h"

namespace bayward {

class ModbusInterpreter {
 public:
  ModbusInterpreter(std::string machine, std::shared_ptr<const CodeBook> book);

  // `values`: one for each signal of the book. The first after a start or a loss: what they say holds, and no
  // edge is made of it; a cycle that was open and runs no more is abandoned.
  void Resume(const std::vector<std::uint32_t>& values, const Instant& now);
  // The next: what differs are edges at `now`.
  void Take(const std::vector<std::uint32_t>& values, const Instant& now);

  MachineWatch& watch() { return watch_; }

 private:
  std::vector<FaultReading> FaultsIn(const std::vector<std::uint32_t>& values) const;
  void TakeCycle(const std::vector<std::uint32_t>& values, const Instant& now);
  std::string ProgrammeIn(const std::vector<std::uint32_t>& values) const;
  std::pair<v1::Mode, v1::ModeReason> ModeIn(const std::vector<std::uint32_t>& values) const;

  const ModbusBook& rules() const { return book_->modbus; }

  std::shared_ptr<const CodeBook> book_;
  MachineWatch watch_;
  bool running_ = false;
  bool abort_seen_ = false;
  std::string cycle_;  // id of the one that runs
};

}  // namespace bayward
