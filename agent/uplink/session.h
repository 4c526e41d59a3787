// One stream's conversation: hello, welcome, then batches, live reports and heartbeats up, acks and requests
// down. Run by one thread; nothing of it ever holds up recording.
//
//   Greeting ──welcome──► Sending ──drain, stop──► Draining ──nothing in flight──► Closing ──► done
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "agent/recorder/recorder.h"
#include "agent/spool/spool.h"
#include "agent/uplink/reconnect.h"
#include "agent/uplink/signal.h"
#include "agent/uplink/stream.h"
#include "proto/common/clock.h"

namespace bayward {

struct SessionOptions {
  std::string agent;
  std::string version;
  std::string boot;
  std::vector<v1::CodeBookUse> code_books;
  Clock* clock = &Clock::System();
  absl::Duration welcome_timeout = absl::Seconds(30);
  absl::Duration close_timeout = absl::Seconds(2);
  absl::Duration drain_timeout = absl::Seconds(10);
  absl::Duration live_report_every = absl::Seconds(1);  // at most
};

class UplinkSession {
 public:
  static constexpr std::uint32_t kProtocol = 1;

  // `stop_after`, asked now and then: how long a stop still waits for what is in flight; nullopt: no stop.
  UplinkSession(const SessionOptions& options, Spool& spool, Recorder& recorder, UplinkStream& stream,
                Signal& signal, std::function<std::optional<absl::Duration>()> stop_after);

  // Until the stream is done.
  SessionEnd Run();

 private:
  enum class Phase { kGreeting, kSending, kDraining, kClosing };
  struct Cursor {
    std::string epoch;
    std::uint64_t oldest = 1;
    std::uint64_t last = 0;   // when the hello was said
    std::uint64_t after = 0;  // what follows is still to be sent
    bool skip = false;
  };
  struct InFlight {
    std::string epoch;
    std::uint64_t last = 0;
  };

  v1::AgentMessage MakeHello();
  void Handle(const v1::ServerMessage& message);
  void Handle(const v1::Welcome& welcome);
  void Handle(const v1::Ack& ack);
  void Handle(const v1::ResumeAfter& resume);
  void Handle(const v1::StartNewEpoch& request);
  void Handle(const v1::SlowDown& request);
  void Handle(const v1::Drain& request);

  // One message, the most urgent.
  void SendNext();
  bool SendHeartbeat();
  bool SendLiveReport();
  bool SendBatch();
  // The next entries of the first epoch that has any to send.
  std::optional<v1::Batch> NextBatch();

  void CheckDeadlines();
  void WatchBacklog();
  void BeginEpochInsteadOf(const std::string& epoch, const std::string& reason);
  // No more batches; closes once nothing is in flight, at the latest at `deadline`.
  void Drain(absl::Duration deadline);
  void Close(absl::Status why);
  // The hello is out of date.
  void Renew(std::string_view why);
  absl::Duration NextDeadline() const;
  Cursor* Find(const std::string& epoch);
  absl::Duration Now() const { return options_.clock->Monotonic(); }
  absl::Duration Jittered(absl::Duration about);

  const SessionOptions& options_;
  Spool& spool_;
  Recorder& recorder_;
  UplinkStream& stream_;
  Signal& signal_;
  std::function<std::optional<absl::Duration>()> stop_after_;
  std::mt19937 random_{std::random_device{}()};

  Phase phase_ = Phase::kGreeting;
  SessionEnd end_;
  absl::Duration began_;
  absl::Duration deadline_;                // of the phase
  std::optional<absl::Duration> stop_by_;  // a stop was asked for
  std::uint64_t generation_ = 0;           // of the spool, at the hello
  std::vector<Cursor> cursors_;            // as in the hello
  std::size_t current_ = 0;                // cursor that is being sent
  std::deque<InFlight> in_flight_;         // all of the current cursor's epoch
  int resumes_in_a_row_ = 0;               // without an ack between

  std::size_t batch_events_max_ = 500;
  std::size_t batch_bytes_max_ = 1 << 20;
  std::size_t in_flight_max_ = 4;
  absl::Duration heartbeat_every_ = absl::Seconds(30);
  absl::Duration heartbeat_at_ = absl::ZeroDuration();
  absl::Duration paused_until_ = absl::ZeroDuration();
  bool backlog_ = false;
  absl::Duration live_at_ = absl::ZeroDuration();
  std::string live_sent_;  // the machines as last reported
  std::uint64_t live_sequence_ = 0;
};

}  // namespace bayward
