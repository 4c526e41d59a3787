#include "tests/support/fake_uplink_server.h"

#include <chrono>
#include <utility>

#include "grpcpp/server_builder.h"

namespace bayward {
namespace {

template <class Part>
std::vector<const Part*> Pick(const std::vector<FakeUplinkServer::Received>& received, int connection,
                              bool (v1::AgentMessage::*has)() const,
                              const Part& (v1::AgentMessage::*get)() const) {
  std::vector<const Part*> picked;
  for (const auto& each : received) {
    if ((connection == 0 || each.connection == connection) && (each.message.*has)()) {
      picked.push_back(&(each.message.*get)());
    }
  }
  return picked;
}

}  // namespace

std::vector<const v1::Batch*> FakeUplinkServer::State::Batches(int connection) const {
  return Pick<v1::Batch>(received, connection, &v1::AgentMessage::has_batch, &v1::AgentMessage::batch);
}
std::vector<const v1::Heartbeat*> FakeUplinkServer::State::Heartbeats(int connection) const {
  return Pick<v1::Heartbeat>(received, connection, &v1::AgentMessage::has_heartbeat,
                             &v1::AgentMessage::heartbeat);
}
std::vector<const v1::LiveReport*> FakeUplinkServer::State::LiveReports(int connection) const {
  return Pick<v1::LiveReport>(received, connection, &v1::AgentMessage::has_live_report,
                              &v1::AgentMessage::live_report);
}
const v1::Hello* FakeUplinkServer::State::LastHello() const {
  const auto hellos = Pick<v1::Hello>(received, 0, &v1::AgentMessage::has_hello, &v1::AgentMessage::hello);
  return hellos.empty() ? nullptr : hellos.back();
}

FakeUplinkServer::FakeUplinkServer(int port) {
  {
    absl::MutexLock lock(&mutex_);
    welcome_.set_protocol_version(1);
    welcome_.set_server_version("fake");
    welcome_.set_batch_events_max(100);
    welcome_.set_batches_in_flight_max(4);
    welcome_.set_heartbeat_interval_us(20'000);
  }
  grpc::ServerBuilder builder;
  builder.AddListeningPort("127.0.0.1:" + std::to_string(port), grpc::InsecureServerCredentials(), &port_);
  builder.RegisterService(this);
  server_ = builder.BuildAndStart();
}

FakeUplinkServer::~FakeUplinkServer() {
  Disconnect();
  if (server_ != nullptr) server_->Shutdown(std::chrono::system_clock::now());
}

void FakeUplinkServer::SetWelcome(const v1::Welcome& welcome) {
  absl::MutexLock lock(&mutex_);
  welcome_.MergeFrom(welcome);
}
void FakeUplinkServer::RefuseNext(std::vector<grpc::Status> statuses) {
  absl::MutexLock lock(&mutex_);
  refusals_.assign(statuses.begin(), statuses.end());
}
void FakeUplinkServer::SetAcknowledges(bool acknowledges) {
  absl::MutexLock lock(&mutex_);
  acknowledges_ = acknowledges;
  if (!acknowledges) return;
  for (const auto& [stream, context] : streams_) {
    for (const auto& [epoch, watermark] : state_.watermarks) Acknowledge(epoch, stream);
  }
}
void FakeUplinkServer::LoseNextBatch() {
  absl::MutexLock lock(&mutex_);
  lose_next_ = true;
}
void FakeUplinkServer::SetWatermark(const std::string& epoch, std::uint64_t sequence) {
  absl::MutexLock lock(&mutex_);
  state_.watermarks[epoch] = sequence;
}
void FakeUplinkServer::Supersede(const std::string& epoch) {
  absl::MutexLock lock(&mutex_);
  superseded_[epoch] = true;
}
void FakeUplinkServer::AnswerStartNewEpoch(const std::string& epoch, std::uint64_t watermark) {
  absl::MutexLock lock(&mutex_);
  start_new_[epoch] = watermark;
}
void FakeUplinkServer::WantSnapshots(std::vector<std::string> machines) {
  absl::MutexLock lock(&mutex_);
  wanted_ = std::move(machines);
}
void FakeUplinkServer::Send(const v1::ServerMessage& message) {
  absl::MutexLock lock(&mutex_);
  for (const auto& [stream, context] : streams_) stream->Write(message);
}
void FakeUplinkServer::Disconnect() {
  absl::MutexLock lock(&mutex_);
  for (const auto& [stream, context] : streams_) context->TryCancel();
}

FakeUplinkServer::State FakeUplinkServer::state() const {
  absl::MutexLock lock(&mutex_);
  return state_;
}

bool FakeUplinkServer::WaitUntil(const std::function<bool(const State&)>& holds) const {
  const auto condition = [this, &holds]() ABSL_NO_THREAD_SAFETY_ANALYSIS { return holds(state_); };
  absl::MutexLock lock(&mutex_);
  return mutex_.AwaitWithTimeout(absl::Condition(&condition), absl::Seconds(20));
}

grpc::Status FakeUplinkServer::Connect(grpc::ServerContext* context, Stream* stream) {
  v1::AgentMessage message;
  int connection = 0;
  {
    absl::MutexLock lock(&mutex_);
    connection = ++state_.connections;
  }
  if (!stream->Read(&message)) return grpc::Status::OK;
  {
    absl::MutexLock lock(&mutex_);
    state_.received.push_back({connection, message});
    if (!message.has_hello()) state_.faults.push_back("no hello first");
    if (!refusals_.empty()) {
      const grpc::Status refusal = refusals_.front();
      refusals_.pop_front();
      return refusal;
    }
    ++state_.open;
    streams_[stream] = context;
  }
  Greet(message.hello(), stream);
  while (stream->Read(&message)) {
    absl::MutexLock lock(&mutex_);
    state_.received.push_back({connection, message});
    if (message.has_hello()) state_.faults.push_back("a second hello");
    if (message.has_batch()) Take(message.batch(), stream);
  }
  absl::MutexLock lock(&mutex_);
  --state_.open;
  streams_.erase(stream);
  return grpc::Status::OK;
}

grpc::Status FakeUplinkServer::Greet(const v1::Hello& hello, Stream* stream) {
  absl::MutexLock lock(&mutex_);
  v1::ServerMessage answer;
  *answer.mutable_welcome() = welcome_;
  for (const v1::HeldEpoch& held : hello.held()) {
    v1::ResumeAfter& resume = *answer.mutable_welcome()->add_resume();
    resume.set_epoch(held.epoch());
    resume.set_sequence(state_.watermarks[held.epoch()]);
    resume.set_superseded(superseded_.contains(held.epoch()));
  }
  stream->Write(answer);
  for (const v1::HeldEpoch& held : hello.held()) {
    const auto found = start_new_.find(held.epoch());
    if (found == start_new_.end()) continue;
    v1::ServerMessage request;
    request.mutable_start_new_epoch()->set_epoch(held.epoch());
    request.mutable_start_new_epoch()->set_watermark(found->second);
    stream->Write(request);
  }
  return grpc::Status::OK;
}

void FakeUplinkServer::Take(const v1::Batch& batch, Stream* stream) {
  std::uint64_t& watermark = state_.watermarks[batch.epoch()];
  if (batch.entries().empty()) {
    state_.faults.push_back("an empty batch");
    return;
  }
  if (std::exchange(lose_next_, false) || batch.entries(0).sequence() > watermark + 1) {
    v1::ServerMessage resume;
    resume.mutable_resume_after()->set_epoch(batch.epoch());
    resume.mutable_resume_after()->set_sequence(watermark);
    stream->Write(resume);
    return;
  }
  std::uint64_t next = batch.entries(0).sequence();
  for (const v1::Entry& entry : batch.entries()) {
    if (entry.sequence() != next) state_.faults.push_back("a gap within a batch");
    v1::Event event;
    if (!event.ParseFromString(entry.event())) state_.faults.push_back("an unreadable event");
    next = (event.has_tombstone() ? event.tombstone().last_sequence() : entry.sequence()) + 1;
    if (entry.sequence() <= watermark) continue;
    state_.ledger.push_back({batch.epoch(), entry.sequence(), event});
    watermark = next - 1;
  }
  if (acknowledges_) Acknowledge(batch.epoch(), stream);
}

void FakeUplinkServer::Acknowledge(const std::string& epoch, Stream* stream) {
  v1::ServerMessage message;
  v1::Ack& ack = *message.mutable_ack();
  ack.set_epoch(epoch);
  ack.set_through_sequence(state_.watermarks[epoch]);
  for (const std::string& machine : std::exchange(wanted_, {})) ack.add_wanted_snapshots(machine);
  stream->Write(message);
}

}  // namespace bayward
