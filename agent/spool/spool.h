// Where an agent keeps its events until the server has them: durable, bounded, in order. Events get their
// sequence numbers here. Thread-safe: sources write through the recorder while the uplink reads.
//
//   epoch 1: [1][2][3 … 90 tombstone][91]   epoch 2 (this process's own): [1][2][3] <- Write
//                   ^ acknowledged through
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

struct SpoolPosition {
  std::string epoch;
  std::uint64_t sequence = 0;
};

struct SpoolEpoch {
  std::string epoch;  // 16 bytes
  std::string predecessor;
  std::string boot;
  std::uint64_t oldest = 1;  // oldest sequence held; last + 1 where none is
  std::uint64_t last = 0;    // last sequence recorded
  std::uint64_t acknowledged = 0;
};

struct SpoolEntry {
  std::uint64_t sequence = 0;
  std::uint64_t last_sequence = 0;  // beyond `sequence` for a tombstone
  std::string event;                // bayward.v1.Event
};

struct SpoolCounts {
  std::uint64_t unacknowledged = 0;  // sequence numbers recorded and not acknowledged
  std::uint64_t bytes = 0;           // what the file uses
  std::uint64_t bytes_max = 0;
  std::uint64_t dropped = 0;  // events replaced by tombstones since the spool was made
};

struct AliveUntil {
  std::optional<absl::Time> wall;       // machines were observed up to here
  std::optional<absl::Time> rehearsed;  // the same by a rehearsal's own clock
  std::optional<absl::Time> delivered;  // everything recorded before then had been acknowledged
};

// One transaction.
struct SpoolWrite {
  std::vector<v1::Event> events;
  AliveUntil alive;
  std::map<std::string, std::string> states;  // by machine, what a later process is to find; "" forgets it
  std::optional<std::pair<std::string, std::string>> mark;  // a source and how far it got
};

// What an earlier process left behind.
struct SpoolFound {
  AliveUntil alive;
  std::map<std::string, std::string> states;
  // The file was damaged or gone: where it was put and what was wrong. What could still be read of the rest
  // is above.
  std::optional<std::string> damage;
};

class Spool {
 public:
  virtual ~Spool() = default;

  // Keeps all of it, synced, or nothing. Gives the last sequence number of this process's epoch.
  // ResourceExhausted: no room on the disk; DataLoss: the file is damaged, see SetAside; other codes: try
  // again.
  virtual absl::StatusOr<SpoolPosition> Write(const SpoolWrite& write) = 0;

  // Events that Write did not keep and that nobody will bring again: sequence numbers of their own, under a
  // tombstone, go ahead of the next write's.
  virtual void NoteLost(const std::vector<v1::Event>& events, std::string_view reason) = 0;

  // Entries of `epoch` that follow `after`, without gaps among them; at least one where there is one, else at
  // most `events_max` and `bytes_max`. The first has a sequence beyond after + 1 where those between are no
  // longer held.
  virtual absl::StatusOr<std::vector<SpoolEntry>> Read(const std::string& epoch, std::uint64_t after,
                                                       std::size_t events_max, std::size_t bytes_max) = 0;

  // Oldest first; the last is this process's own.
  virtual std::vector<SpoolEpoch> Held() const = 0;
  virtual SpoolCounts Counts() const = 0;
  // The last position of this process's own epoch.
  virtual SpoolPosition Last() const = 0;
  // Counts the epochs this process has begun: what was read of Held is out of date when it changes.
  virtual std::uint64_t generation() const = 0;

  // The server has everything through `sequence` and nothing beyond it; it may have been restored to an
  // earlier time, and then what it lost counts as not acknowledged again.
  virtual void Resume(const std::string& epoch, std::uint64_t sequence) = 0;
  // Never moves back. What is acknowledged stays as long as there is room, at most for the age stated.
  virtual void Acknowledge(const std::string& epoch, std::uint64_t through) = 0;

  // A new epoch of this process's own, which follows the one it had.
  virtual absl::Status BeginEpoch() = 0;
  // Forgets an epoch with all that it holds; the own one only after BeginEpoch.
  virtual absl::Status Forget(const std::string& epoch) = 0;

  // Syncs alive and acknowledgements, and removes acknowledged events that are too old. Once a minute.
  virtual absl::Status Sync(const AliveUntil& alive) = 0;

  // After DataLoss: puts the file aside and begins a new one with a new epoch.
  virtual absl::StatusOr<SpoolFound> SetAside() = 0;

  // What was found at the start.
  virtual const SpoolFound& found() const = 0;
  // "" where the source has none.
  virtual absl::StatusOr<std::string> Mark(const std::string& source) = 0;
};

}  // namespace bayward
