// What is known of one machine, in absolute time: the material from which conditions, outages and every figure are
// computed. Required time is cut out when it is read (calendar.h).
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "server/model/ids.h"
#include "server/model/interval.h"

namespace bayward {

// Number of a fault class in bayward.v1.FaultClass. Its traits that matter here travel with each spell.
using FaultClassNumber = std::int32_t;

// Values as in bayward.v1.
enum class Effect : std::uint8_t { kBlocking = 1, kDegrading = 2, kAdvisory = 3 };
enum class Origin : std::uint8_t { kInternal = 1, kExternal = 2, kUser = 3, kPeople = 4 };
enum class Mode : std::uint8_t { kInService = 1, kClosed = 2, kOccupied = 3 };
enum class ModeReason : std::uint8_t {
  kNone = 0, kFrost = 1, kWaterRestriction = 2, kQuietHours = 3, kUpkeep = 4, kOther = 5
};

// Where an event stands in what one agent recorded. Order is (epoch, sequence), never a time.
struct EventRef {
  EpochId epoch;
  std::uint64_t sequence = 0;
  bool operator==(const EventRef&) const = default;
};

// From which event to which event something was learned, and when those were received.
struct Provenance {
  EventRef first;
  EventRef last;
  absl::Time first_received_at;
  absl::Time last_received_at;
};

// How a spell came to its end.
enum class SpellEnd : std::uint8_t {
  kOpen = 0,           // still active
  kCleared = 1,        // its signal was seen to fall
  kEffectChanged = 2,  // the same class was raised again with another effect: the next spell goes on from here
  kLostSight = 3,      // gone at the first snapshot after a loss: ended at the loss, its restoration censored
  kHandedOver = 4,     // another agent took over and did not show it
};

// One fault class on one machine from raised to cleared, [raised_at, cleared_at).
struct Spell {
  FaultClassNumber fault_class = 0;
  Effect effect = Effect::kBlocking;
  Origin origin = Origin::kInternal;
  std::uint32_t priority = 0;  // declared rank among faults that rise together, 1 first; 0: none
  absl::Time raised_at;
  absl::Time cleared_at = absl::InfiniteFuture();
  SpellEnd end = SpellEnd::kOpen;
  bool began_unobserved = false;  // first seen in a snapshot
  bool rehearsal = false;
  std::uint32_t further_raises = 0;
  std::string raw_code;
  std::string raw_text;
  Provenance provenance = {};  // its identity is provenance.first

  Interval interval() const { return {raised_at, cleared_at}; }
};

// A mode other than in service, [from, to).
struct ModeSpan {
  Mode mode = Mode::kClosed;
  ModeReason reason = ModeReason::kNone;
  absl::Time from;
  absl::Time to = absl::InfiniteFuture();
  bool rehearsal = false;
  bool handed_over = false;  // it did not end: the agent's assignment did
  Provenance provenance = {};

  Interval interval() const { return {from, to}; }
};

// A stretch in which the machine was observed, [from, to). Open spans reach to InfiniteFuture and are bounded by
// MachineHistory::observed_until.
struct ObservedSpan {
  absl::Time from;
  absl::Time to = absl::InfiniteFuture();
  std::uint8_t loss_reason = 0;  // bayward.v1.LossReason of what ended it
  bool rehearsal = false;
  Provenance provenance = {};

  Interval interval() const { return {from, to}; }
};

enum class CycleOutcome : std::uint8_t { kCompleted = 1, kAborted = 2, kAbandoned = 3 };

// One wash, [started_at, finished_at).
struct Cycle {
  std::string cycle;
  std::string programme;
  absl::Time started_at = absl::InfinitePast();  // InfinitePast: not known
  absl::Time finished_at;
  CycleOutcome outcome = CycleOutcome::kCompleted;
  FaultClassNumber abort_cause = 0;
  std::uint8_t sold_as = 0;  // bayward.v1.SoldAs
  std::uint8_t paid_by = 0;  // bayward.v1.PaidBy
  bool rehearsal = false;
  Provenance provenance = {};
};

enum class Condition : std::uint8_t {
  kUp = 1, kDegraded = 2, kDown = 3, kWithheld = 4, kUnknown = 5, kNotRequired = 6
};

// A person's decision about unknown time: signed and append-only; the latest one over an instant holds.
struct Settlement {
  Interval interval;
  Condition as = Condition::kUp;  // kUp, kDown or kWithheld
  absl::Time recorded_at;
};

// A machine's assignments end to end. Every list is sorted by its start; observed, voided and mode spans of one
// machine are disjoint.
struct MachineHistory {
  MachineId machine;
  std::vector<Spell> spells;
  std::vector<ModeSpan> modes;  // in service where none covers
  std::vector<ObservedSpan> observed;
  // Up to where an open observed span is known to have been observed. Later time is pending, not lost.
  absl::Time observed_until = absl::InfinitePast();
  // True while somebody may still deliver what is missing after observed_until (an agent is assigned and not retired).
  bool delivery_expected = true;
  // Cut and made unknown: a clock stepped back over it, or its events were dropped or lost by the server. What was
  // recorded inside is not used; a spell that spans all of one goes on through it as through any gap.
  std::vector<Interval> voided;
  std::vector<Cycle> cycles;  // by finished_at
  std::vector<Settlement> settlements;
};

}  // namespace bayward
