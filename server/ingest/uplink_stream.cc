#include "server/ingest/uplink_stream.h"

#include <utility>

#include "absl/time/clock.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/ingest/ingest.h"

namespace bayward {
namespace {

constexpr std::uint32_t kProtocolVersion = 1;
constexpr std::size_t kEpochBytes = 16;
constexpr int kHeldEpochsMax = 1000;
// A batch this far behind what the agent has recorded is history.
constexpr std::uint64_t kBacklogEvents = 2000;

grpc::Status GrpcStatus(const absl::Status& status) {
  return {static_cast<grpc::StatusCode>(status.code()), std::string(Message(status))};
}

absl::Status CheckHello(const v1::Hello& hello) {
  if (hello.protocol_version() != kProtocolVersion) {
    return FailedPrecondition("protocol version {} is not spoken here: expected {}; {} the agent",
                              hello.protocol_version(), kProtocolVersion,
                              hello.protocol_version() < kProtocolVersion ? "update" : "update the server or take back");
  }
  if (hello.held_size() == 0 || hello.held_size() > kHeldEpochsMax) {
    return InvalidArgument("a hello states 1 to {} held epochs, the last one the agent's own; got {}", kHeldEpochsMax,
                           hello.held_size());
  }
  for (const auto& held : hello.held()) {
    if (held.epoch().size() != kEpochBytes) {
      return InvalidArgument("an epoch has {} bytes; got {}", kEpochBytes, held.epoch().size());
    }
  }
  return absl::OkStatus();
}

}  // namespace

UplinkStream::UplinkStream(Ingest& ingest) : ingest_(ingest), last_heard_(absl::Now()) {
  ++ingest_.counts_.streams;
  StartRead(&incoming_);
}

absl::Time UplinkStream::last_heard() const {
  absl::MutexLock lock(&mutex_);
  return last_heard_;
}

void UplinkStream::Step(absl::FunctionRef<void()> change) {
  bool read = false;
  const v1::ServerMessage* write = nullptr;
  {
    absl::MutexLock lock(&mutex_);
    change();
    if (finished_) return;
    ++busy_;
    if (!writing_ && !outgoing_.empty() && !cancelled_) {
      writing_ = true;
      write = &outgoing_.front();
    }
    if (!ending_ && !read_over_ && !cancelled_ && !reading_ &&
        jobs_ < static_cast<int>(ingest_.options_.batches_in_flight_max) * 2 && !ingest_.counts_.held_for_disk.load()) {
      reading_ = true;
      read = true;
    }
  }
  if (write != nullptr) StartWrite(write);
  if (read) StartRead(&incoming_);
  grpc::Status status;
  {
    absl::MutexLock lock(&mutex_);
    --busy_;
    const bool over = ending_ || read_over_ || cancelled_;
    if (finished_ || !over || busy_ > 0 || jobs_ > 0 || writing_ || (!outgoing_.empty() && !cancelled_)) return;
    finished_ = true;
    status = end_status_;
  }
  Finish(status);
}

void UplinkStream::End(const grpc::Status& status) {
  Step([&] {
    mutex_.AssertHeld();
    if (ending_) return;
    ending_ = true;
    end_status_ = status;
  });
}

void UplinkStream::Tell(v1::ServerMessage message) {
  Step([&] {
    mutex_.AssertHeld();
    if (!ending_ && !finished_) outgoing_.push_back(std::move(message));
  });
}

void UplinkStream::Resume() {
  Step([] {});
}

void UplinkStream::OnReadDone(bool ok) {
  if (ok) {
    // Counted as busy, so that a cancellation meanwhile does not finish the stream under the jobs this message makes.
    {
      absl::MutexLock lock(&mutex_);
      if (finished_) return;
      ++busy_;
    }
    Handle(incoming_);
  }
  Step([&] {
    mutex_.AssertHeld();
    if (ok) --busy_;
    reading_ = false;
    if (ok) return;
    read_over_ = true;
    if (hello_ != nullptr || ending_ || cancelled_) return;
    // To us bytes that are no message look like the end of the stream.
    ending_ = true;
    end_status_ = GrpcStatus(
        InvalidArgument("no hello came, which is the first message of a stream: expected a bayward.v1.AgentMessage"));
  });
}

void UplinkStream::OnWriteDone(bool ok) {
  Step([&] {
    mutex_.AssertHeld();
    writing_ = false;
    outgoing_.pop_front();
    if (!ok) cancelled_ = true;
  });
}

void UplinkStream::OnCancel() {
  Step([&] {
    mutex_.AssertHeld();
    cancelled_ = true;
  });
}

void UplinkStream::OnDone() {
  AgentId agent;
  {
    absl::MutexLock lock(&mutex_);
    agent = agent_;
  }
  ingest_.Leave(this, agent);
  delete this;
}

void UplinkStream::Handle(v1::AgentMessage& message) {
  std::shared_ptr<const StreamHello> hello;
  AgentId agent;
  {
    absl::MutexLock lock(&mutex_);
    last_heard_ = absl::Now();
    hello = hello_;
    agent = agent_;
    if (ending_) return;
  }
  if ((hello == nullptr) != message.has_hello()) {
    return End(GrpcStatus(InvalidArgument("the first message of a stream, and no other, is the hello")));
  }
  switch (message.what_case()) {
    case v1::AgentMessage::kHello:
      return HandleHello(*message.mutable_hello());
    case v1::AgentMessage::kBatch:
      ingest_.presence_.Heard(agent, absl::Now());
      if (absl::Status status = HandleBatch(*message.mutable_batch()); !status.ok()) End(GrpcStatus(status));
      return;
    case v1::AgentMessage::kLiveReport:
      return Send(LiveReportJob{std::move(*message.mutable_live_report())}, false);
    case v1::AgentMessage::kHeartbeat: {
      ingest_.presence_.Heard(agent, message.heartbeat(), absl::Now());
      {
        absl::MutexLock lock(&mutex_);
        last_recorded_ = message.heartbeat().last_sequence();
      }
      return Send(HeartbeatJob{std::move(*message.mutable_heartbeat())}, false);
    }
    case v1::AgentMessage::WHAT_NOT_SET:
      return End(GrpcStatus(InvalidArgument("a message of a kind that is not known here")));
  }
}

void UplinkStream::HandleHello(v1::Hello& hello) {
  if (absl::Status status = CheckHello(hello); !status.ok()) return End(GrpcStatus(status));
  const std::shared_ptr<const Fleet> fleet = ingest_.fleet_();
  const Agent* agent = fleet->FindAgent(hello.agent());
  if (agent == nullptr) {
    return End(GrpcStatus(NotFound("no agent \"{}\" is declared here: declare it with its site by `bayward fleet apply`",
                                   hello.agent())));
  }
  if (absl::Status status = ingest_.Enter(this, agent->id); !status.ok()) return End(GrpcStatus(status));
  ingest_.presence_.Connected(agent->id, hello, absl::Now());
  {
    absl::MutexLock lock(&mutex_);
    agent_ = agent->id;
    site_ = agent->site;
    last_recorded_ = hello.held().rbegin()->last_sequence();
    auto kept = std::make_shared<StreamHello>();
    kept->hello = std::move(hello);
    kept->received_at = absl::Now();
    hello_ = std::move(kept);
  }
  Send(HelloJob{}, false);
}

absl::Status UplinkStream::HandleBatch(v1::Batch& batch) {
  if (batch.epoch().size() != kEpochBytes) {
    return InvalidArgument("a batch's epoch has {} bytes; got {}", kEpochBytes, batch.epoch().size());
  }
  if (batch.entries_size() == 0) return InvalidArgument("a batch without entries");
  if (batch.entries_size() > static_cast<int>(ingest_.options_.batch_events_max) * 4) {
    return InvalidArgument("a batch of {} entries: at most {} are taken", batch.entries_size(),
                           ingest_.options_.batch_events_max * 4);
  }
  bool backlog = false;
  {
    absl::MutexLock lock(&mutex_);
    const std::uint64_t last = batch.entries().rbegin()->sequence();
    backlog = batch.epoch() != hello_->hello.held().rbegin()->epoch() || last + kBacklogEvents < last_recorded_;
  }
  Send(BatchJob{std::move(batch)}, backlog);
  return absl::OkStatus();
}

void UplinkStream::Send(decltype(Job::what) what, bool backlog) {
  Job job;
  {
    absl::MutexLock lock(&mutex_);
    ++jobs_;
    job.agent = agent_;
    job.site = site_;
    job.stream = hello_;
  }
  job.what = std::move(what);
  job.backlog = backlog;
  // The stream cannot go away while jobs_ counts this one.
  job.reply = [this](const absl::Status& status, std::vector<v1::ServerMessage> messages) {
    Reply(status, std::move(messages));
  };
  const AgentId agent = job.agent;
  if (!ingest_.WriterOf(agent).Enqueue(std::move(job))) {
    Reply(ResourceExhausted("the server's queue is full: keep what you have and come back after a back-off"), {});
  }
}

void UplinkStream::Reply(const absl::Status& status, std::vector<v1::ServerMessage> messages) {
  Step([&] {
    mutex_.AssertHeld();
    --jobs_;
    for (v1::ServerMessage& message : messages) {
      if (message.has_welcome()) Fill(*message.mutable_welcome());
      outgoing_.push_back(std::move(message));
    }
    if (!status.ok() && !ending_) {
      ending_ = true;
      end_status_ = GrpcStatus(status);
    }
  });
}

void UplinkStream::Fill(v1::Welcome& welcome) const {
  welcome.set_protocol_version(kProtocolVersion);
  welcome.set_server_version(BAYWARD_VERSION);
  welcome.set_batch_events_max(ingest_.options_.batch_events_max);
  welcome.set_batch_bytes_max(ingest_.options_.batch_bytes_max);
  welcome.set_batches_in_flight_max(ingest_.options_.batches_in_flight_max);
  welcome.set_heartbeat_interval_us(absl::ToInt64Microseconds(ingest_.options_.heartbeat_interval));
}

}  // namespace bayward
