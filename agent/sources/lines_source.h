// Reads a controller's JSON lines from a file that grows or from standard input. One thread of its own reads,
// interprets and records; Start and Stop as Source states.
//
// A line that is no JSON object is counted, logged and passed over. Machines count as observed from when the
// file is open; with a code book that has [snapshot], from its first such line.
#pragma once

#include <atomic>
#include <cstdint>
#include <memory>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "agent/recorder/event_sink.h"
#include "agent/sources/byte_feed.h"
#include "agent/sources/line_interpreter.h"
#include "agent/sources/line_splitter.h"
#include "agent/sources/settings.h"
#include "agent/sources/source.h"
#include "proto/common/clock.h"

namespace bayward {

class LinesSource : public Source {
 public:
  LinesSource(LinesSettings settings, Clock& clock);
  // The same from another feed.
  LinesSource(LinesSettings settings, Clock& clock, std::unique_ptr<ByteFeed> feed);
  ~LinesSource() override;

  absl::Status Start(EventSink& sink) override;
  void Stop() override;
  std::string_view name() const override { return settings_.name; }
  const std::vector<ServedMachine>& machines() const override { return served_; }

  // May be called from any thread.
  std::uint64_t malformed_lines() const { return malformed_; }
  std::uint64_t unused_lines() const { return unused_; }  // no machine's, or nothing in the code book

 private:
  struct Machine {
    explicit Machine(LineInterpreter lines) : interpreter(std::move(lines)) {}

    LineInterpreter interpreter;
    bool waits_for_snapshot = false;
    bool observed = false;
    bool loss_reported = false;
    absl::Duration last_line;  // monotonic; the start where there was none

    const std::string& key() { return interpreter.watch().machine(); }
  };

  void Run(EventSink& sink);
  // False where it was stopped before the feed could be opened.
  bool OpenFeed(EventSink& sink);
  void TakeLine(const std::string& text, EventSink& sink);
  void TakeLine(Machine& machine, const nlohmann::json& line, EventSink& sink);
  void BeginObservation(Machine& machine, EventSink& sink);
  void RecordDue(Machine& machine, const Instant& at, EventSink& sink);
  void LoseAll(EventSink& sink, v1::LossReason reason, const std::string& detail);
  void ReportSilence(Machine& machine, EventSink& sink);
  void CountMalformed(std::string_view text, std::string_view why);
  Instant Now() const { return {clock_.Now(), clock_.Monotonic()}; }

  LinesSettings settings_;
  Clock& clock_;
  std::unique_ptr<ByteFeed> feed_;
  LineSplitter splitter_;
  std::uint64_t too_long_told_ = 0;
  std::vector<ServedMachine> served_;
  std::vector<Machine> machines_;
  std::atomic<std::uint64_t> malformed_ = 0;
  std::atomic<std::uint64_t> unused_ = 0;
  StopFlag stop_;
  std::thread thread_;
};

}  // namespace bayward
