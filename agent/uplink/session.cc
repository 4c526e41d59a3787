#include "agent/uplink/session.h"

#include <algorithm>
#include <utility>

#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr absl::Duration kLongEnoughToBeGood = absl::Seconds(30);
constexpr int kResumesMax = 5;
constexpr std::size_t kEntryBytes = 16;  // of an entry beyond its event

absl::Status FromGrpc(const grpc::Status& status) {
  // The numbers are the same by definition.
  return MakeStatus(static_cast<absl::StatusCode>(status.error_code()), status.error_message());
}

std::size_t OrDefault(std::uint32_t value, std::size_t otherwise, std::size_t most) {
  return value == 0 ? otherwise : std::min<std::size_t>(value, most);
}

}  // namespace

UplinkSession::UplinkSession(const SessionOptions& options, Spool& spool, Recorder& recorder,
                             UplinkStream& stream, Signal& signal,
                             std::function<std::optional<absl::Duration>()> stop_after)
    : options_(options),
      spool_(spool),
      recorder_(recorder),
      stream_(stream),
      signal_(signal),
      stop_after_(std::move(stop_after)) {}

SessionEnd UplinkSession::Run() {
  began_ = Now();
  deadline_ = began_ + options_.welcome_timeout;
  stream_.Write(MakeHello());
  while (true) {
    while (const auto message = stream_.Take()) Handle(*message);
    if (stream_.done()) break;
    CheckDeadlines();
    if (phase_ != Phase::kGreeting && phase_ != Phase::kClosing) WatchBacklog();
    SendNext();
    signal_.Wait(NextDeadline() - Now());
  }
  while (const auto message = stream_.Take()) Handle(*message);
  if (end_.status.ok()) end_.status = FromGrpc(stream_.status());
  if (phase_ != Phase::kGreeting && Now() - began_ >= kLongEnoughToBeGood) end_.good = true;
  return end_;
}

v1::AgentMessage UplinkSession::MakeHello() {
  generation_ = spool_.generation();
  v1::AgentMessage message;
  v1::Hello& hello = *message.mutable_hello();
  hello.set_protocol_version(kProtocol);
  hello.set_agent(options_.agent);
  hello.set_agent_version(options_.version);
  hello.set_boot(options_.boot);
  hello.set_monotonic_us(absl::ToInt64Microseconds(options_.clock->Monotonic()));
  hello.set_wall_us(absl::ToUnixMicros(options_.clock->Now()));
  hello.set_clock(recorder_.ClockStateNow());
  for (const SpoolEpoch& held : spool_.Held()) {
    v1::HeldEpoch& epoch = *hello.add_held();
    epoch.set_epoch(held.epoch);
    epoch.set_predecessor(held.predecessor);
    epoch.set_boot(held.boot);
    epoch.set_oldest_sequence(held.oldest);
    epoch.set_last_sequence(held.last);
    cursors_.push_back({held.epoch, held.oldest, held.last, held.oldest - 1, false});
  }
  for (const v1::CodeBookUse& use : options_.code_books) *hello.add_code_books() = use;
  return message;
}

void UplinkSession::Handle(const v1::ServerMessage& message) {
  if (phase_ == Phase::kGreeting && !message.has_welcome() && !message.has_start_new_epoch()) {
    Close(MakeStatus(absl::StatusCode::kFailedPrecondition,
                     "the server sent something else before its welcome"));
    return;
  }
  switch (message.what_case()) {
    case v1::ServerMessage::kWelcome:
      return Handle(message.welcome());
    case v1::ServerMessage::kAck:
      return Handle(message.ack());
    case v1::ServerMessage::kResumeAfter:
      return Handle(message.resume_after());
    case v1::ServerMessage::kStartNewEpoch:
      return Handle(message.start_new_epoch());
    case v1::ServerMessage::kSlowDown:
      return Handle(message.slow_down());
    case v1::ServerMessage::kDrain:
      return Handle(message.drain());
    case v1::ServerMessage::WHAT_NOT_SET:
      break;  // a later server's, which must do without an answer
  }
}

void UplinkSession::Handle(const v1::Welcome& welcome) {
  if (phase_ != Phase::kGreeting) return;
  if (welcome.protocol_version() != kProtocol) {
    Close(MakeStatus(
        absl::StatusCode::kFailedPrecondition,
        fmt::format("expected protocol {}, the server speaks {}", kProtocol, welcome.protocol_version())));
    return;
  }
  phase_ = Phase::kSending;
  spdlog::info("agent {}: welcomed by server {}", options_.agent, welcome.server_version());
  batch_events_max_ = OrDefault(welcome.batch_events_max(), batch_events_max_, 10'000);
  batch_bytes_max_ = OrDefault(welcome.batch_bytes_max(), batch_bytes_max_, 3 << 20);  // gRPC takes 4 MiB
  in_flight_max_ = OrDefault(welcome.batches_in_flight_max(), in_flight_max_, 64);
  if (welcome.heartbeat_interval_us() > 0)
    heartbeat_every_ = absl::Microseconds(welcome.heartbeat_interval_us());
  heartbeat_at_ = Now();
  for (const v1::ResumeAfter& resume : welcome.resume()) Handle(resume);
  resumes_in_a_row_ = 0;
  current_ = 0;
  backlog_ = spool_.Counts().unacknowledged > 0;
}

void UplinkSession::Handle(const v1::Ack& ack) {
  while (!in_flight_.empty() && in_flight_.front().epoch == ack.epoch() &&
         in_flight_.front().last <= ack.through_sequence()) {
    in_flight_.pop_front();
  }
  spool_.Acknowledge(ack.epoch(), ack.through_sequence());
  end_.good = true;
  resumes_in_a_row_ = 0;
  if (ack.rejected() > 0) {
    spdlog::warn(
        "agent {}: the server keeps {} events as rejected; `bayward rejected` on the server tells why",
        options_.agent, ack.rejected());
  }
  if (!ack.wanted_snapshots().empty()) {
    recorder_.RecordSnapshots({ack.wanted_snapshots().begin(), ack.wanted_snapshots().end()},
                              {ack.epoch(), ack.through_sequence()});
  }
}

void UplinkSession::Handle(const v1::ResumeAfter& resume) {
  Cursor* cursor = Find(resume.epoch());
  if (cursor == nullptr) return;
  if (++resumes_in_a_row_ > kResumesMax + static_cast<int>(cursors_.size())) {
    Close(MakeStatus(absl::StatusCode::kAborted, "the server asked again and again where to resume"));
    return;
  }
  if (!in_flight_.empty() && in_flight_.front().epoch == resume.epoch()) in_flight_.clear();
  spool_.Resume(resume.epoch(), resume.sequence());
  cursor->after = std::max(resume.sequence(), cursor->oldest - 1);
  if (!resume.superseded()) return;
  if (cursor == &cursors_.back()) {
    BeginEpochInsteadOf(resume.epoch(),
                        fmt::format("the server has a later epoch of this agent: {}", resume.reason()));
    return;
  }
  cursor->skip = true;
  if (resume.sequence() < cursor->last) {
    spdlog::warn("agent {}: the server takes no more of an earlier epoch: {} events are not delivered",
                 options_.agent, cursor->last - resume.sequence());
  }
  spool_.Acknowledge(resume.epoch(), cursor->last);
}

void UplinkSession::Handle(const v1::StartNewEpoch& request) {
  if (Find(request.epoch()) == nullptr) return;
  BeginEpochInsteadOf(request.epoch(), fmt::format("the server had received {} events: {}",
                                                   request.watermark(), request.reason()));
}

void UplinkSession::BeginEpochInsteadOf(const std::string& epoch, const std::string& reason) {
  spdlog::warn("agent {}: begins a new epoch: {}", options_.agent, reason);
  const absl::Status status = recorder_.StartNewEpoch(epoch, reason);
  if (status.ok()) {
    Renew("a new epoch has begun");
  } else {
    Close(MakeStatus(absl::StatusCode::kAborted, std::string(Message(status))));
  }
}

void UplinkSession::Handle(const v1::SlowDown& request) {
  const absl::Duration pause =
      std::clamp(absl::Microseconds(request.pause_us()), absl::ZeroDuration(), absl::Minutes(10));
  spdlog::debug("agent {}: pauses for {}: {}", options_.agent, absl::FormatDuration(pause), request.reason());
  paused_until_ = Now() + pause;
}

void UplinkSession::Handle(const v1::Drain& request) {
  spdlog::info("agent {}: the server goes away: {}", options_.agent, request.reason());
  end_.reconnect_after = absl::Microseconds(request.reconnect_after_us());
  end_.good = true;
  Drain(Now() + options_.drain_timeout);
}

void UplinkSession::Drain(absl::Duration deadline) {
  if (phase_ != Phase::kSending) return;
  phase_ = Phase::kDraining;
  deadline_ = deadline;
}

void UplinkSession::Close(absl::Status why) {
  if (phase_ == Phase::kClosing) return;
  phase_ = Phase::kClosing;
  deadline_ = Now() + options_.close_timeout;
  if (end_.status.ok()) end_.status = std::move(why);
}

void UplinkSession::Renew(std::string_view why) {
  spdlog::debug("agent {}: greets anew: {}", options_.agent, why);
  end_.renew = true;
  Close(absl::OkStatus());
}

void UplinkSession::CheckDeadlines() {
  const absl::Duration now = Now();
  if (!stop_by_.has_value()) {
    if (const auto grace = stop_after_()) stop_by_ = now + *grace;
  }
  if (phase_ == Phase::kGreeting && stop_by_.has_value()) Close(absl::OkStatus());
  if (phase_ == Phase::kSending && stop_by_.has_value() &&
      (now >= *stop_by_ || spool_.Counts().unacknowledged == 0)) {
    heartbeat_at_ = now;  // one last time up to when this agent observed
    Drain(*stop_by_);
  }
  if (phase_ == Phase::kSending && spool_.generation() != generation_) Renew("the spool has a new epoch");
  const bool sent = in_flight_.empty() && (!stop_by_.has_value() || heartbeat_at_ > now);
  if (phase_ == Phase::kDraining && (sent || now >= deadline_)) Close(absl::OkStatus());
  if (phase_ == Phase::kGreeting && now >= deadline_) {
    Close(Unavailable("no welcome within {}", absl::FormatDuration(options_.welcome_timeout)));
    deadline_ = now;  // nobody answers: no use in waiting for an orderly end
  }
  if (phase_ == Phase::kClosing && now >= deadline_) {
    stream_.Cancel();
    deadline_ = absl::InfiniteDuration();
  }
}

void UplinkSession::WatchBacklog() {
  const std::uint64_t unacknowledged = spool_.Counts().unacknowledged;
  if (unacknowledged > batch_events_max_ || (unacknowledged > 0 && Now() < paused_until_)) backlog_ = true;
  if (unacknowledged > 0 || !backlog_) return;
  backlog_ = false;
  live_sent_.clear();
  heartbeat_at_ = std::min(heartbeat_at_, Now());  // all is delivered: the server may count up to now
}

void UplinkSession::SendNext() {
  if (!stream_.can_write()) return;
  if (phase_ == Phase::kClosing) {
    stream_.HalfClose();
    return;
  }
  if (phase_ == Phase::kGreeting) return;
  if (SendHeartbeat() || SendLiveReport()) return;
  if (phase_ == Phase::kSending) SendBatch();
}

bool UplinkSession::SendHeartbeat() {
  if (Now() < heartbeat_at_) return false;
  heartbeat_at_ = Now() + Jittered(heartbeat_every_);
  v1::AgentMessage message;
  *message.mutable_heartbeat() = recorder_.Heartbeat();
  stream_.Write(std::move(message));
  return true;
}

bool UplinkSession::SendLiveReport() {
  if (!backlog_ || Now() < live_at_) return false;
  const std::uint64_t last = spool_.Last().sequence;
  if (!live_sent_.empty() && last == live_sequence_) return false;
  live_at_ = Now() + options_.live_report_every;
  live_sequence_ = last;
  v1::AgentMessage message;
  v1::LiveReport& report = *message.mutable_live_report();
  report = recorder_.Live();
  std::string machines = "machines: ";
  for (const v1::MachineNow& machine : report.machines()) machines += machine.SerializeAsString();
  if (machines == live_sent_) return false;
  live_sent_ = std::move(machines);
  stream_.Write(std::move(message));
  return true;
}

bool UplinkSession::SendBatch() {
  if (Now() < paused_until_ || in_flight_.size() >= in_flight_max_) return false;
  auto batch = NextBatch();
  if (!batch.has_value()) return false;
  v1::AgentMessage message;
  *message.mutable_batch() = *std::move(batch);
  stream_.Write(std::move(message));
  return true;
}

std::optional<v1::Batch> UplinkSession::NextBatch() {
  while (phase_ == Phase::kSending && current_ < cursors_.size()) {
    Cursor& cursor = cursors_[current_];
    auto entries = cursor.skip ? std::vector<SpoolEntry>()
                               : spool_.Read(cursor.epoch, cursor.after, batch_events_max_, batch_bytes_max_);
    if (!entries.ok()) {
      if (absl::IsDataLoss(entries.status())) recorder_.ReplaceDamagedSpool();
      Close(MakeStatus(absl::StatusCode::kAborted, std::string(Message(entries.status()))));
      return std::nullopt;
    }
    if (entries->empty()) {
      // The next epoch's events follow only when all of this one's are in.
      if (!in_flight_.empty() || current_ + 1 == cursors_.size()) return std::nullopt;
      ++current_;
      continue;
    }
    if (entries->front().sequence != cursor.after + 1) {
      Renew("events that the server asked for are no longer held");
      return std::nullopt;
    }
    v1::Batch batch;
    batch.set_epoch(cursor.epoch);
    std::size_t bytes = 0;
    for (SpoolEntry& entry : *entries) {
      bytes += entry.event.size() + kEntryBytes;
      if (bytes > batch_bytes_max_ && batch.entries_size() > 0) break;
      cursor.after = entry.last_sequence;
      v1::Entry& out = *batch.add_entries();
      out.set_sequence(entry.sequence);
      out.set_event(std::move(entry.event));
    }
    in_flight_.push_back({cursor.epoch, cursor.after});
    return batch;
  }
  return std::nullopt;
}

absl::Duration UplinkSession::NextDeadline() const {
  absl::Duration next = absl::InfiniteDuration();
  if (phase_ == Phase::kGreeting || phase_ == Phase::kDraining || phase_ == Phase::kClosing) next = deadline_;
  if (phase_ != Phase::kGreeting && phase_ != Phase::kClosing) {
    next = std::min(next, heartbeat_at_);
    if (backlog_ && spool_.Last().sequence != live_sequence_) next = std::min(next, live_at_);
    if (Now() < paused_until_) next = std::min(next, paused_until_);
    if (stop_by_.has_value()) next = std::min(next, *stop_by_);
  }
  // A write in flight signals its end; what is due by then is done then.
  return stream_.can_write() ? next : std::max(next, Now() + absl::Milliseconds(50));
}

UplinkSession::Cursor* UplinkSession::Find(const std::string& epoch) {
  const auto found = std::find_if(cursors_.begin(), cursors_.end(),
                                  [&epoch](const Cursor& cursor) { return cursor.epoch == epoch; });
  return found != cursors_.end() ? &*found : nullptr;
}

absl::Duration UplinkSession::Jittered(absl::Duration about) {
  return about * std::uniform_real_distribution<double>(0.9, 1.1)(random_);
}

}  // namespace bayward
