// Decides which of a machine's raw fault signals become fault spells: delays, chattering, and one spell for
// all signals of a class. Pure: instants are monotonic and passed in; thread-compatible.
//
// Delays decide whether, never when: what comes out carries the signal's own edge. A signal shorter than its
// on-delay leaves nothing; one that returns within its off-delay continues its spell. A class that rises for
// the third time within 60 s is chattering: the spell then begun stays open until no edge has come for 60 s,
// and its clearing is the last fall. Safety classes are never delayed and never folded.
#pragma once

#include <cstdint>
#include <deque>
#include <map>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "agent/codebook/fault_mapping.h"

namespace bayward {

// What a raw signal says: up, and the controller's own code and text where the mapping has none of its own.
struct FaultReading {
  bool up = false;
  std::string raw_code;
  std::string raw_text;
};

struct FaultChange {
  bool raised = false;  // else cleared
  std::size_t mapping = 0;
  std::string raw_code;  // of the reading
  std::string raw_text;
  absl::Duration at;  // monotonic, when the signal changed
  std::uint32_t further_raises = 0;

  bool operator==(const FaultChange&) const = default;
};

struct HeldFault {
  std::size_t mapping = 0;
  std::string raw_code;  // of the reading
  std::string raw_text;
  absl::Duration since;
};

class FaultConditioner {
 public:
  static constexpr absl::Duration kChatterWindow = absl::Seconds(60);
  static constexpr std::size_t kChatterRises = 3;

  explicit FaultConditioner(std::vector<FaultMapping> mappings);

  // Takes a reading of signal `mapping` at `now`; instants of one signal never go back. One that stays up
  // with another code is raised again.
  void Set(std::size_t mapping, const FaultReading& reading, absl::Duration now);

  // What has become certain by `now`, in the order of the signals' edges; those of one instant raised first,
  // then by priority, undeclared last, then in the code book's order.
  std::vector<FaultChange> Advance(absl::Duration now);

  // Nobody saw the edges since the last reading: takes `readings`, one for each mapping, as found. No change
  // comes of it; Active() then says what holds. A signal that was not active before serves its on-delay from
  // `now`.
  void Resume(const std::vector<FaultReading>& readings, absl::Duration now);

  // The classes that are active, by instant, priority, order; each once, by its signal with the gravest
  // effect.
  std::vector<HeldFault> Active() const;

  // The active blocking fault that began first. nullopt where nothing blocks.
  const FaultMapping* FirstBlocking() const;

  const FaultMapping& mapping(std::size_t index) const { return mappings_[index]; }
  std::size_t size() const { return mappings_.size(); }
  // The latest reading of each signal.
  std::vector<FaultReading> Readings() const;

 private:
  struct Signal {
    FaultReading reading;
    bool certain = false;    // after delays
    absl::Duration rose_at;  // first edge of the present or pending rise
    absl::Duration fell_at;
  };
  struct Class {
    std::vector<std::size_t> signals;
    bool safety = false;
    bool open = false;  // a spell is recorded
    bool up = false;    // any signal is certain
    bool chatter = false;
    std::size_t shown = 0;  // the signal that the spell was recorded with
    absl::Duration since;
    absl::Duration last_rise;
    absl::Duration last_fall;
    std::deque<absl::Duration> rises;  // the latest, kChatterRises at most
    std::uint32_t further = 0;
  };

  void Settle(std::size_t index, absl::Duration now);
  void Rise(Class& state, std::size_t index, absl::Duration at);
  void Fall(Class& state, absl::Duration at);
  void ShowGravest(Class& state, absl::Duration at);
  void EndChatter(Class& state, absl::Duration now);
  void Close(Class& state, absl::Duration at);
  void Emit(bool raised, const Class& state, absl::Duration at);
  // The certain signal with the gravest effect. There is one.
  std::size_t Gravest(const Class& state) const;
  // Orders by instant, raised first, priority, index.
  bool Before(const FaultChange& a, const FaultChange& b) const;

  std::vector<FaultMapping> mappings_;
  std::vector<Signal> signals_;
  std::map<int, Class> classes_;  // by fault class
  std::vector<FaultChange> changes_;
};

}  // namespace bayward
