#include "agent/sources/lines_source.h"

#include <unistd.h>

#include <utility>

#include "absl/strings/escaping.h"
#include "agent/sources/record_events.h"
#include "nlohmann/json.hpp"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr absl::Duration kTick = absl::Milliseconds(200);  // how often a file is looked at, and delays are
constexpr absl::Duration kOpenAgainAfter = absl::Seconds(1);

std::unique_ptr<ByteFeed> FeedFor(const LinesSettings& settings) {
  if (settings.path == "-") return ByteFeed::Descriptor(STDIN_FILENO);
  return ByteFeed::File(settings.path, settings.from_beginning);
}

// 1, 10, 100, …: a controller that prints garbage for days must not fill the log.
bool WorthTelling(std::uint64_t count) {
  while (count >= 10 && count % 10 == 0) count /= 10;
  return count == 1;
}

}  // namespace

LinesSource::LinesSource(LinesSettings settings, Clock& clock)
    : LinesSource(settings, clock, FeedFor(settings)) {}

LinesSource::LinesSource(LinesSettings settings, Clock& clock, std::unique_ptr<ByteFeed> feed)
    : settings_(std::move(settings)), clock_(clock), feed_(std::move(feed)) {
  for (const LinesSettings::Machine& machine : settings_.machines) {
    served_.push_back(
        {machine.machine, machine.book->name, machine.book->version, machine.book->sha256, machine.line});
    Machine state(LineInterpreter(machine.machine, machine.as, machine.book));
    state.waits_for_snapshot = machine.book->lines.snapshot.has_value();
    machines_.push_back(std::move(state));
  }
}

LinesSource::~LinesSource() { Stop(); }

absl::Status LinesSource::Start(EventSink& sink) {
  if (thread_.joinable()) return FailedPrecondition("source {} has been started already", settings_.name);
  for (Machine& machine : machines_) machine.last_line = clock_.Monotonic();
  thread_ = std::thread([this, &sink] { Run(sink); });
  return absl::OkStatus();
}

void LinesSource::Stop() {
  stop_.Stop();
  if (thread_.joinable()) thread_.join();
}

void LinesSource::Run(EventSink& sink) {
  if (!OpenFeed(sink)) return;
  while (!stop_.stopped()) {
    auto chunk = feed_->Read(kTick, stop_);
    if (absl::IsOutOfRange(chunk.status())) {
      LoseAll(sink, v1::LOSS_REASON_SOURCE_FAILED, std::string(Message(chunk.status())));
      return;
    }
    if (!chunk.ok()) {
      LoseAll(sink, v1::LOSS_REASON_SOURCE_FAILED, std::string(Message(chunk.status())));
      if (!OpenFeed(sink)) return;
      continue;
    }
    if (chunk->begins_anew) splitter_.Reset();
    for (const std::string& line : splitter_.Add(chunk->bytes)) TakeLine(line, sink);
    for (; too_long_told_ < splitter_.too_long(); ++too_long_told_) CountMalformed("", "longer than 64 KiB");
    for (Machine& machine : machines_) {
      if (machine.observed) RecordDue(machine, Now(), sink);
      ReportSilence(machine, sink);
    }
  }
}

bool LinesSource::OpenFeed(EventSink& sink) {
  splitter_.Reset();
  while (!stop_.stopped()) {
    const absl::Status status = feed_->Open();
    if (status.ok()) {
      for (Machine& machine : machines_) {
        if (!machine.waits_for_snapshot) BeginObservation(machine, sink);
      }
      return true;
    }
    LoseAll(sink, v1::LOSS_REASON_SOURCE_FAILED, std::string(Message(status)));
    stop_.WaitFor(kOpenAgainAfter);
  }
  return false;
}

void LinesSource::TakeLine(const std::string& text, EventSink& sink) {
  const nlohmann::json line = nlohmann::json::parse(text, nullptr, false);
  if (!line.is_object()) {
    CountMalformed(text, line.is_discarded() ? "not JSON" : "not a JSON object");
    return;
  }
  for (Machine& machine : machines_) {
    if (!machine.interpreter.Concerns(line)) continue;
    TakeLine(machine, line, sink);
    return;
  }
  ++unused_;
}

void LinesSource::TakeLine(Machine& machine, const nlohmann::json& line, EventSink& sink) {
  const Instant now = Now();
  const Instant at = machine.interpreter.TimeOf(line, now);
  machine.last_line = now.monotonic;
  const bool begins = !machine.observed && machine.interpreter.ShowsAll(line);
  if (begins && !machine.waits_for_snapshot) BeginObservation(machine, sink);
  if (!machine.interpreter.Take(line, at, !machine.observed)) ++unused_;
  if (begins && machine.waits_for_snapshot) BeginObservation(machine, sink);
  if (machine.observed) {
    RecordDue(machine, at, sink);
  } else {
    machine.interpreter.watch().Advance(at);  // state is kept; what was not observed is no event
  }
}

void LinesSource::BeginObservation(Machine& machine, EventSink& sink) {
  machine.interpreter.watch().Advance(Now());
  machine.last_line = clock_.Monotonic();
  machine.observed = true;
  machine.loss_reported = false;
  spdlog::info("source {}: machine {} is observed", settings_.name, machine.key());
  sink.SourceGood(machine.key(), machine.interpreter.watch().Snapshot());
}

void LinesSource::RecordDue(Machine& machine, const Instant& at, EventSink& sink) {
  if (RecordEvents(machine.interpreter.watch(), at, sink)) return;
  machine.observed = false;
  machine.loss_reported = true;
}

void LinesSource::LoseAll(EventSink& sink, v1::LossReason reason, const std::string& detail) {
  for (Machine& machine : machines_) {
    if (machine.loss_reported) continue;
    spdlog::warn("source {}: machine {} is not observed: {}", settings_.name, machine.key(), detail);
    sink.SourceLost(machine.key(), clock_.Now(), reason, detail);
    machine.observed = false;
    machine.loss_reported = true;
  }
}

void LinesSource::ReportSilence(Machine& machine, EventSink& sink) {
  const Instant now = Now();
  const absl::Duration silence = now.monotonic - machine.last_line;
  if (machine.loss_reported || silence <= settings_.silent_after) return;
  const std::string detail = fmt::format("no line for {}", absl::FormatDuration(settings_.silent_after));
  spdlog::warn("source {}: machine {} is not observed: {}", settings_.name, machine.key(), detail);
  sink.SourceLost(machine.key(), now.wall - silence, v1::LOSS_REASON_SOURCE_SILENT, detail);
  machine.observed = false;
  machine.loss_reported = true;
}

void LinesSource::CountMalformed(std::string_view text, std::string_view why) {
  const std::uint64_t count = ++malformed_;
  if (!WorthTelling(count)) return;
  spdlog::warn("source {}: {} malformed line(s) so far; the latest is {}: {}", settings_.name, count, why,
               absl::CEscape(std::string(text.substr(0, 120))));
}

}  // namespace bayward
