#include "agent/sources/modbus_source.h"

#include <utility>

#include "agent/sources/record_events.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

// A controller on the site's own network may be asked again soon: it costs one connection attempt.
constexpr absl::Duration kLongestPause = absl::Seconds(10);

}  // namespace

ModbusSource::Machine::Machine(const ModbusSettings::Machine& settings, const ModbusSettings& source)
    : key(settings.machine),
      unit(settings.unit),
      book(settings.book),
      plan(PlanReads(settings.book->modbus.signals, source.merge_gap)),
      interpreter(settings.machine, settings.book),
      backoff(source.poll, kLongestPause) {}

ModbusSource::ModbusSource(ModbusSettings settings, Clock& clock)
    : settings_(std::move(settings)),
      clock_(clock),
      link_(settings_.host, settings_.port, settings_.timeout),
      connect_backoff_(settings_.poll, kLongestPause) {
  for (const ModbusSettings::Machine& machine : settings_.machines) {
    served_.push_back(
        {machine.machine, machine.book->name, machine.book->version, machine.book->sha256, machine.line});
    machines_.emplace_back(machine, settings_);
  }
}

ModbusSource::~ModbusSource() { Stop(); }

absl::Status ModbusSource::Start(EventSink& sink) {
  if (thread_.joinable()) return FailedPrecondition("source {} has been started already", settings_.name);
  for (Machine& machine : machines_) machine.last_good = clock_.Monotonic();
  thread_ = std::thread([this, &sink] { Run(sink); });
  return absl::OkStatus();
}

void ModbusSource::Stop() {
  stop_.Stop();
  if (thread_.joinable()) thread_.join();
}

void ModbusSource::Run(EventSink& sink) {
  absl::Duration next = clock_.Monotonic();
  while (!stop_.stopped()) {
    PollAll(sink);
    next += settings_.poll;
    const absl::Duration now = clock_.Monotonic();
    if (next <= now) next = now + settings_.poll;  // polls that a slow answer overran are left out
    stop_.WaitFor(next - now);
  }
  link_.Close();
}

void ModbusSource::PollAll(EventSink& sink) {
  for (Machine& machine : machines_) {
    if (stop_.stopped()) return;
    if (clock_.Monotonic() >= machine.try_again_at) {
      if (link_.connected() || Connect()) {
        Poll(machine, sink);
      } else {
        machine.trouble = v1::LOSS_REASON_SOURCE_FAILED;
        machine.trouble_text = fmt::format("no connection to {}:{}", settings_.host, settings_.port);
      }
    }
    ReportSilence(machine, sink);
  }
}

bool ModbusSource::Connect() {
  if (clock_.Monotonic() < connect_at_) return false;
  const absl::Status status = link_.Connect();
  if (status.ok()) {
    connect_backoff_.Reset();
    if (connect_failure_told_)
      spdlog::info("source {}: connected to {}:{}", settings_.name, settings_.host, settings_.port);
    connect_failure_told_ = false;
    return true;
  }
  connect_at_ = clock_.Monotonic() + connect_backoff_.Next();
  if (!connect_failure_told_) spdlog::warn("source {}: {}; trying on", settings_.name, Message(status));
  connect_failure_told_ = true;
  return false;
}

void ModbusSource::Poll(Machine& machine, EventSink& sink) {
  std::vector<std::uint32_t> values;
  ReadOutcome outcome = ReadValues(machine, values);
  if (outcome.kind == ReadOutcome::kNoSuchAddress && machine.merged) {
    // The addresses between ours may not exist there.
    spdlog::info("source {}: {}; machine {} is read without gaps from now on", settings_.name, outcome.detail,
                 machine.key);
    machine.merged = false;
    machine.plan = PlanReads(machine.book->modbus.signals, 0);
    outcome = ReadValues(machine, values);
  }
  if (outcome.answered()) {
    TakeGood(machine, values, sink);
  } else {
    TakeFailure(machine, outcome);
  }
}

ReadOutcome ModbusSource::ReadValues(Machine& machine, std::vector<std::uint32_t>& values) {
  const ReadPlan& plan = machine.plan;
  if (answers_.size() < plan.requests.size()) answers_.resize(plan.requests.size());
  for (std::size_t i = 0; i < plan.requests.size(); ++i) {
    ReadOutcome outcome = link_.Read(machine.unit, plan.requests[i], answers_[i]);
    if (!outcome.answered()) return outcome;
  }
  const std::vector<ModbusSignal>& signals = machine.book->modbus.signals;
  values.resize(signals.size());
  for (std::size_t i = 0; i < signals.size(); ++i) {
    values[i] = ValueOf(signals[i], answers_[plan.places[i].request], plan.places[i].offset);
  }
  return {};
}

void ModbusSource::TakeGood(Machine& machine, const std::vector<std::uint32_t>& values, EventSink& sink) {
  const Instant now = Now();
  machine.backoff.Reset();
  machine.last_good = now.monotonic;
  machine.trouble = v1::LOSS_REASON_SOURCE_SILENT;
  machine.trouble_text.clear();
  MachineWatch& watch = machine.interpreter.watch();
  if (machine.observed) {
    machine.interpreter.Take(values, now);
  } else {
    machine.interpreter.Resume(values, now);
    spdlog::info("source {}: machine {} is observed", settings_.name, machine.key);
    sink.SourceGood(machine.key, watch.Snapshot());
    machine.observed = true;
    machine.loss_reported = false;
  }
  if (RecordEvents(watch, now, sink)) return;
  machine.observed = false;
  machine.loss_reported = true;
}

void ModbusSource::TakeFailure(Machine& machine, const ReadOutcome& outcome) {
  const bool silent = outcome.kind == ReadOutcome::kTimedOut;
  machine.trouble = silent ? v1::LOSS_REASON_SOURCE_SILENT : v1::LOSS_REASON_SOURCE_FAILED;
  machine.trouble_text = outcome.detail;
  machine.try_again_at = clock_.Monotonic() + machine.backoff.Next();
  spdlog::debug("source {}: machine {}: {}", settings_.name, machine.key, outcome.detail);
}

void ModbusSource::ReportSilence(Machine& machine, EventSink& sink) {
  const Instant now = Now();
  const absl::Duration silence = now.monotonic - machine.last_good;
  if (machine.loss_reported || silence <= settings_.silent_after) return;
  const std::string detail = machine.trouble_text.empty() ? "no answer" : machine.trouble_text;
  spdlog::warn("source {}: machine {} is not observed since {} ago: {}", settings_.name, machine.key,
               absl::FormatDuration(absl::Trunc(silence, absl::Milliseconds(1))), detail);
  sink.SourceLost(machine.key, now.wall - silence, machine.trouble, detail);
  machine.observed = false;
  machine.loss_reported = true;
}

}  // namespace bayward
