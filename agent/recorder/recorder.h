// The one door between an agent's sources and its spool: dates what the sources saw, keeps what holds at each
// machine, and writes both in one transaction. Thread-safe: sources, the uplink and the keeper of the minute
// call it.
//
// What could not be written is owed: a loss, a start of observation or a step of the clock goes ahead of the
// next event that is written, and Tick tries on.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"
#include "agent/recorder/event_sink.h"
#include "agent/recorder/machine_state.h"
#include "agent/spool/spool.h"
#include "bayward/v1/uplink.pb.h"
#include "proto/common/clock.h"

namespace bayward {

struct RecorderOptions {
  struct Machine {
    std::string name;
    bool rehearses = false;
  };
  std::string agent;  // as the log calls it
  std::vector<Machine> machines;
  Clock* clock = &Clock::System();
  std::function<bool()> clock_synced = KernelClockSynced;
};

class Recorder : public EventSink {
 public:
  static constexpr absl::Duration kSyncEvery = absl::Seconds(60);
  // A wall clock that runs this much away from the monotonic one between two looks was set.
  static constexpr absl::Duration kClockStep = absl::Seconds(1);

  // `spool` must outlive it.
  Recorder(RecorderOptions options, Spool& spool);

  // Records what is known to be lost since the process before. Before the sources start.
  void Start();

  absl::Status Record(v1::Event event) override;
  absl::Status RecordAll(const std::vector<v1::Event>& events, std::string_view source,
                         std::string_view mark) override;
  absl::StatusOr<std::string> LastMark(std::string_view source) override;
  void SourceGood(std::string_view machine, const v1::Snapshot& now) override;
  void SourceLost(std::string_view machine, absl::Time from, v1::LossReason reason,
                  std::string_view detail) override;
  void Alive(absl::Time until) override;

  // Looks at the clock, writes what is owed, and syncs once a minute. Once a second.
  void Tick();
  // Syncs now; after the sources have stopped.
  void Sync();

  // Called after something was recorded, by the thread that did it, without locks. Set before the sources
  // start; an empty function ends it.
  void SetChanged(std::function<void()> changed);

  v1::LiveReport Live() const;
  v1::Heartbeat Heartbeat() const;
  v1::ClockState ClockStateNow() const;

  // The server does not know these machines' states; `acknowledged` is how far it has read. A machine whose
  // last snapshot is still on its way gets no other.
  void RecordSnapshots(const std::vector<std::string>& machines, const SpoolPosition& acknowledged);
  // The disk went back to an earlier state: a new epoch, the loss, and what holds now. `epoch` is forgotten.
  absl::Status StartNewEpoch(const std::string& epoch, std::string_view reason);
  // The spool said DataLoss: a new spool, the loss, and what holds now.
  void ReplaceDamagedSpool();

 private:
  struct Loss {
    std::optional<absl::Time> from;  // unknown: since the server last heard
    v1::LossReason reason = v1::LOSS_REASON_UNSPECIFIED;
    std::string detail;
  };
  struct Machine {
    explicit Machine(MachineState known) : state(std::move(known)) {}

    MachineState state;
    std::optional<Loss> loss_owed;
    std::optional<v1::Snapshot> good_owed;  // after the loss, if both are
    SpoolPosition snapshot;                 // of the last one recorded
  };
  using Mark = std::pair<std::string, std::string>;

  // Writes what is owed, then `events`, which are dated already. After an error nothing is written.
  absl::Status Commit(const std::vector<v1::Event>& events, const std::optional<Mark>& mark)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  absl::Status TryCommit(const std::vector<v1::Event>& events, const std::optional<Mark>& mark)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  std::vector<v1::Event> Owed() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  bool OwesAnything() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Committed(const std::vector<v1::Event>& events, const SpoolPosition& last)
      ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // Commits nothing but what is owed; a failure is logged, and owed on.
  void CommitOwed() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void ReplaceSpool() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // `goes_on`: a machine that is observed still is, so that what holds there follows.
  void OweLossOfAll(const Loss& loss, bool goes_on) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void SyncLocked() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  v1::Event Dated(std::string_view machine) const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Date(v1::Event& event) const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  v1::Event SnapshotOf(const Machine& machine) const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  Machine& At(std::string_view machine) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  AliveUntil AliveNow() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  std::optional<absl::Time> ObservedUntil() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  v1::ClockState ClockStateLocked() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void LookAtClock() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // What the wall clock should say and what it says, where it was set since the last look.
  std::optional<std::pair<absl::Time, absl::Time>> ClockStep() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Changed();

  const RecorderOptions options_;
  Spool& spool_;

  mutable absl::Mutex mutex_;
  std::map<std::string, Machine, std::less<>> machines_ ABSL_GUARDED_BY(mutex_);
  std::map<std::string, std::string> states_to_forget_
      ABSL_GUARDED_BY(mutex_);  // of machines no longer watched
  std::optional<absl::Time> rehearsed_ ABSL_GUARDED_BY(mutex_);
  std::optional<absl::Time> delivered_ ABSL_GUARDED_BY(mutex_);  // all recorded before then was acknowledged
  std::optional<absl::Time> alive_written_ ABSL_GUARDED_BY(mutex_);
  absl::Time wall_looked_at_ ABSL_GUARDED_BY(mutex_);
  absl::Duration monotonic_looked_at_ ABSL_GUARDED_BY(mutex_);
  absl::Duration synced_at_ ABSL_GUARDED_BY(mutex_);  // monotonic
  mutable bool clock_was_synced_ ABSL_GUARDED_BY(mutex_) = false;
  bool failure_told_ ABSL_GUARDED_BY(mutex_) = false;

  absl::Mutex changed_mutex_ ABSL_ACQUIRED_AFTER(mutex_);
  std::function<void()> changed_ ABSL_GUARDED_BY(changed_mutex_);
};

}  // namespace bayward
