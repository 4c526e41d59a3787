// Which events go first where some must go, and the tombstones that stand in their place. Pure and
// thread-safe.
#pragma once

#include <cstdint>
#include <set>
#include <string>
#include <string_view>

#include "bayward/v1/event.pb.h"

namespace bayward {

// In the order in which events are dropped.
enum class EventRank { kReading = 0, kCycle = 1, kState = 2 };

// A tombstone has the rank of the highest event it stands for.
EventRank RankOf(const v1::Event& event);

// Gathers consecutive events, tombstones among them, into one tombstone.
class TombstoneBuilder {
 public:
  static constexpr std::size_t kMachinesMax = 32;  // beyond: all of the agent's

  void Add(const v1::Event& event);
  // Without those that a tombstone among them stood for already.
  std::uint64_t new_events() const { return new_events_; }
  v1::Event Build(std::uint64_t last_sequence, std::string_view reason) const;

 private:
  EventRank rank_ = EventRank::kReading;
  std::uint64_t events_ = 0;
  std::uint64_t new_events_ = 0;
  std::int64_t from_us_ = 0;
  std::int64_t to_us_ = 0;
  std::set<std::string> machines_;
  bool all_machines_ = false;
  bool rehearsal_ = true;
  std::int64_t monotonic_us_ = 0;
  v1::ClockState clock_ = v1::CLOCK_STATE_UNSPECIFIED;
};

}  // namespace bayward
