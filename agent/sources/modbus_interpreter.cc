#include "agent/sources/modbus_interpreter.h"

#include <utility>

namespace bayward {
namespace {

bool Holds(const SignalTest& test, const std::vector<std::uint32_t>& values) {
  return test.Holds(values[test.signal]);
}

}  // namespace

ModbusInterpreter::ModbusInterpreter(std::string machine, std::shared_ptr<const CodeBook> book)
    : book_(std::move(book)), watch_(std::move(machine), book_) {}

std::vector<FaultReading> ModbusInterpreter::FaultsIn(const std::vector<std::uint32_t>& values) const {
  std::vector<FaultReading> readings(book_->faults.size());
  for (std::size_t i = 0; i < rules().faults.size(); ++i) readings[i].up = Holds(rules().faults[i], values);
  for (const CodeSignal& code : rules().codes) {
    const std::uint32_t value = values[code.signal];
    if (value == code.no_fault || code.mapped.contains(value)) continue;
    readings[code.unclassified] = {true, std::to_string(value), ""};
  }
  return readings;
}

void ModbusInterpreter::Resume(const std::vector<std::uint32_t>& values, const Instant& now) {
  watch_.faults().Resume(FaultsIn(values), now.monotonic);
  const auto [mode, reason] = ModeIn(values);
  watch_.ResumeMode(mode, reason);
  if (!rules().cycle.has_value()) return;
  const bool runs = Holds(rules().cycle->running, values);
  if (runs && !running_) {
    cycle_ = watch_.NewCycleId(now);
    watch_.cycles().StartUnseen(cycle_, ProgrammeIn(values), now.monotonic);
  } else if (!runs && running_) {
    watch_.cycles().Abandon(cycle_, now.monotonic);
  }
  running_ = runs;
  abort_seen_ = false;
}

void ModbusInterpreter::Take(const std::vector<std::uint32_t>& values, const Instant& now) {
  const std::vector<FaultReading> readings = FaultsIn(values);
  for (std::size_t i = 0; i < readings.size(); ++i) watch_.faults().Set(i, readings[i], now.monotonic);
  TakeCycle(values, now);
  const auto [mode, reason] = ModeIn(values);
  watch_.SetMode(mode, reason, now.monotonic);
}

void ModbusInterpreter::TakeCycle(const std::vector<std::uint32_t>& values, const Instant& now) {
  if (!rules().cycle.has_value()) return;
  const ModbusCycle& rule = *rules().cycle;
  const bool runs = Holds(rule.running, values);
  if (runs && !running_) {
    abort_seen_ = false;
    cycle_ = watch_.NewCycleId(now);
    watch_.cycles().Start(cycle_, ProgrammeIn(values), now.monotonic);
  }
  if (running_ && rule.aborted.has_value() && Holds(*rule.aborted, values)) abort_seen_ = true;
  if (!runs && running_) {
    const CycleEnd end = watch_.EndOfCycle(abort_seen_, rule.aborted.has_value());
    watch_.cycles().FinishIfOpen(cycle_, end, now.monotonic);
  }
  running_ = runs;
}

std::string ModbusInterpreter::ProgrammeIn(const std::vector<std::uint32_t>& values) const {
  const ModbusCycle& rule = *rules().cycle;
  if (!rule.programme.has_value()) return "";
  const std::uint32_t number = values[*rule.programme];
  const auto named = rule.programmes.find(number);
  return named != rule.programmes.end() ? named->second : std::to_string(number);
}

std::pair<v1::Mode, v1::ModeReason> ModbusInterpreter::ModeIn(
    const std::vector<std::uint32_t>& values) const {
  if (rules().occupied.has_value() && Holds(*rules().occupied, values)) {
    return {v1::MODE_OCCUPIED, v1::MODE_REASON_UNSPECIFIED};
  }
  for (const ModbusClosed& closed : rules().closed) {
    if (Holds(closed.when, values)) return {v1::MODE_CLOSED, closed.reason};
  }
  return {v1::MODE_IN_SERVICE, v1::MODE_REASON_UNSPECIFIED};
}

}  // namespace bayward
