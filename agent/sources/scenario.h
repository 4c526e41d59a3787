// Reads a scenario: a text file with one bayward.v1.Event in protobuf JSON on each line, in the order of
// recorded_at_us. Used by one thread.
//
//   {"machine": "bay-1", "recorded_at_us": "1767225600000000", "observation_started": {}}
//   {"machine": "bay-1", "recorded_at_us": "1767225600000000", "snapshot": {"mode": "MODE_IN_SERVICE"}}
//   {"machine": "bay-1", "recorded_at_us": "1767229200000000", "cycle_started": {"cycle": "c1"}}
//
// Field names in either case ("recorded_at_us", "recordedAtUs"); effective_at_us may be left out: when
// recorded. What the machines' observation was is part of the scenario: an observation_started and a snapshot
// come first. Lines that cannot be played are counted, logged and passed over. Every event is marked as
// played: rehearsal, clock simulated.
#pragma once

#include <cstdint>
#include <filesystem>
#include <fstream>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/status.h"
#include "proto/common/digest.h"
#include "agent/sources/event_json.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

// How far a scenario has been read. `sha256` is of the bytes before `offset`: it tells whether a file is
// still the one that was being read.
struct ScenarioPosition {
  std::uint64_t offset = 0;
  std::uint64_t line = 0;
  std::string sha256;
};

class Scenario {
 public:
  // Events of other machines cannot be played.
  Scenario(std::filesystem::path path, const std::vector<std::string>& machines);

  // Unavailable where the file cannot be read. From its beginning.
  absl::Status Open();
  // Reads on after `position`. NotFound where the file is not the one that was read up to there; then from
  // its beginning.
  absl::Status OpenAt(const ScenarioPosition& position);

  // nullopt at the end.
  std::optional<v1::Event> Next();

  // Behind the event that Next gave last, and ahead of it.
  ScenarioPosition position() const;
  ScenarioPosition position_before() const {
    return {offset_ - unhashed_.size(), line_before_, digest_.Hex()};
  }
  std::uint64_t malformed_lines() const { return malformed_; }

 private:
  bool ReadLine(std::string& text);
  absl::Status Parse(const std::string& text, v1::Event& event);
  void CountMalformed(std::string_view why);

  std::filesystem::path path_;
  std::set<std::string> machines_;
  EventJsonReader reader_;
  std::ifstream file_;
  std::uint64_t offset_ = 0;
  std::uint64_t line_ = 0;
  std::uint64_t line_before_ = 0;
  // Up to the line of the event given last; that line itself follows with the next call, so that both
  // positions are at hand without a copy for each line.
  Sha256 digest_;
  std::string unhashed_;
  std::int64_t latest_us_ = 0;
  std::uint64_t malformed_ = 0;
};

}  // namespace bayward
