// Polls the machines behind one Modbus TCP address. One thread of its own reads, interprets and records;
// Start and Stop as Source states.
//
// A machine without a good reading for `silent_after` is reported lost from its last good reading on; the
// first good one after that, and after a start, is reported with all that holds. A unit that does not answer
// is asked again after a growing pause, so that it does not hold up the others.
#pragma once

#include <memory>
#include <string>
#include <thread>
#include <vector>

#include "agent/recorder/event_sink.h"
#include "agent/sources/backoff.h"
#include "agent/sources/modbus_interpreter.h"
#include "agent/sources/modbus_link.h"
#include "agent/sources/read_plan.h"
#include "agent/sources/settings.h"
#include "agent/sources/source.h"
#include "proto/common/clock.h"

namespace bayward {

class ModbusSource : public Source {
 public:
  ModbusSource(ModbusSettings settings, Clock& clock);
  ~ModbusSource() override;

  absl::Status Start(EventSink& sink) override;
  void Stop() override;
  std::string_view name() const override { return settings_.name; }
  const std::vector<ServedMachine>& machines() const override { return served_; }

 private:
  struct Machine {
    Machine(const ModbusSettings::Machine& settings, const ModbusSettings& source);

    std::string key;
    int unit;
    std::shared_ptr<const CodeBook> book;
    ReadPlan plan;
    bool merged = true;  // the plan reads along what nobody asked for
    ModbusInterpreter interpreter;
    Backoff backoff;
    absl::Duration try_again_at = absl::ZeroDuration();  // monotonic
    absl::Duration last_good;                            // monotonic; the start where there was none
    bool observed = false;
    bool loss_reported = false;
    v1::LossReason trouble = v1::LOSS_REASON_SOURCE_SILENT;  // of the latest failure
    std::string trouble_text;
  };

  void Run(EventSink& sink);
  void PollAll(EventSink& sink);
  bool Connect();
  void Poll(Machine& machine, EventSink& sink);
  ReadOutcome ReadValues(Machine& machine, std::vector<std::uint32_t>& values);
  void TakeGood(Machine& machine, const std::vector<std::uint32_t>& values, EventSink& sink);
  void TakeFailure(Machine& machine, const ReadOutcome& outcome);
  void ReportSilence(Machine& machine, EventSink& sink);
  Instant Now() const { return {clock_.Now(), clock_.Monotonic()}; }

  ModbusSettings settings_;
  Clock& clock_;
  std::vector<ServedMachine> served_;
  std::vector<Machine> machines_;
  ModbusLink link_;
  Backoff connect_backoff_;
  absl::Duration connect_at_ = absl::ZeroDuration();  // monotonic
  bool connect_failure_told_ = false;
  std::vector<std::vector<std::uint16_t>> answers_;
  StopFlag stop_;
  std::thread thread_;
};

}  // namespace bayward
