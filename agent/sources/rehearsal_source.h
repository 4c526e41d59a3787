// Plays a scenario (scenario.h): what lies before now goes to the sink as fast as it takes it, what lies
// ahead waits for its time. One thread of its own reads and records; Start and Stop as Source states.
//
// Each chunk is recorded together with a mark of how far it got, in one transaction of the sink. After a
// restart, however the process ended, it goes on behind the last line recorded, provided that the file up to
// there is still the same; another scenario in its place is played from its beginning.
#pragma once

#include <atomic>
#include <optional>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

#include "agent/recorder/event_sink.h"
#include "agent/sources/retimer.h"
#include "agent/sources/scenario.h"
#include "agent/sources/settings.h"
#include "agent/sources/source.h"
#include "proto/common/clock.h"

namespace bayward {

// Where a rehearsal stands, as one line of text: offset line pass first_us origin_us last_us sha256.
struct RehearsalMark {
  ScenarioPosition position;
  std::uint64_t pass = 0;
  std::int64_t first_us = 0;   // as Retimer
  std::int64_t origin_us = 0;  // as Retimer
  std::int64_t last_us = 0;    // when the last event played

  std::string ToText() const;
  // nullopt where `text` is no mark.
  static std::optional<RehearsalMark> Parse(std::string_view text);
};

class RehearsalSource : public Source {
 public:
  static constexpr std::size_t kChunk = 500;

  RehearsalSource(RehearsalSettings settings, Clock& clock);
  ~RehearsalSource() override;

  // Unavailable where the scenario or the sink's mark cannot be read.
  absl::Status Start(EventSink& sink) override;
  void Stop() override;
  std::string_view name() const override { return settings_.name; }
  const std::vector<ServedMachine>& machines() const override { return served_; }
  bool rehearses() const override { return true; }

  // Whether all is recorded and nothing will follow. May be called from any thread.
  bool ended() const { return ended_; }

 private:
  absl::Status OpenAtMark(const std::string& mark);
  void Run(EventSink& sink);
  // Up to kChunk events that are due; what has been read and is not due yet stays in next_.
  std::vector<v1::Event> TakeDue();
  // Reads into next_, at its playing time. False at the end of the scenario.
  bool ReadNext();
  bool BeginNextPass();
  // Over and over until the sink takes the chunk; false if stopped before.
  bool Record(const std::vector<v1::Event>& chunk, EventSink& sink);
  RehearsalMark MarkNow() const;

  RehearsalSettings settings_;
  Clock& clock_;
  std::vector<ServedMachine> served_;
  Scenario scenario_;
  Retimer retimer_;
  bool timed_ = false;  // first_us and origin_us of retimer_ are set
  std::int64_t last_us_ = 0;
  bool pass_played_ = false;  // an event of this pass has been taken
  std::optional<v1::Event> next_;
  std::atomic<bool> ended_ = false;
  StopFlag stop_;
  std::thread thread_;
};

}  // namespace bayward
