#include "server/ingest/ingest.h"

#include <algorithm>
#include <utility>

#include "absl/time/clock.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/ingest/uplink_stream.h"

namespace bayward {

class Ingest::Service : public v1::Uplink::CallbackService {
 public:
  explicit Service(Ingest& ingest) : ingest_(ingest) {}

  grpc::ServerBidiReactor<v1::AgentMessage, v1::ServerMessage>* Connect(grpc::CallbackServerContext*) override {
    {
      absl::MutexLock lock(&ingest_.mutex_);
      ++ingest_.count_;
    }
    return new UplinkStream(ingest_);  // deletes itself in OnDone
  }

 private:
  Ingest& ingest_;
};

Ingest::Ingest(const Database& database, Writer::FleetSource fleet, Presence& presence, IngestCounts& counts,
               IngestOptions options)
    : fleet_(std::move(fleet)), presence_(presence), counts_(counts), options_(options),
      service_(std::make_unique<Service>(*this)) {
  for (int i = 0; i < std::max(1, options_.writers); ++i) {
    writers_.push_back(std::make_unique<Writer>(database, fleet_, counts_, options_.writer));
  }
}

Ingest::~Ingest() { Stop(absl::InfinitePast()); }

grpc::Service& Ingest::service() { return *service_; }

void Ingest::Start() {
  for (auto& writer : writers_) writer->Start();
}

Writer& Ingest::WriterOf(AgentId agent) { return *writers_[static_cast<std::size_t>(agent.value) % writers_.size()]; }

absl::Status Ingest::Enter(UplinkStream* stream, AgentId agent) {
  absl::MutexLock lock(&mutex_);
  if (draining_) return Unavailable("this server is stopping: come back after a back-off");
  if (streams_.size() >= options_.streams_max) {
    return ResourceExhausted("{} agents are connected, no more are taken: come back after a back-off",
                             options_.streams_max);
  }
  auto [held, entered] = streams_.try_emplace(agent, stream);
  if (!entered) {
    const absl::Duration silence = absl::Now() - held->second->last_heard();
    if (silence < options_.heartbeat_interval * 2.5) {
      ++counts_.identity_conflicts;
      return MakeStatus(absl::StatusCode::kAlreadyExists,
                        fmt::format("another stream of this agent answers (last heard {} ago): is the same identity "
                                    "installed twice, or did the line just break?", absl::FormatDuration(silence)));
    }
    UplinkStream* silent = std::exchange(held->second, stream);
    silent->End({grpc::StatusCode::UNAVAILABLE, "not heard for long, and a new stream of this agent came"});
  }
  return absl::OkStatus();
}

void Ingest::Leave(UplinkStream* stream, AgentId agent) {
  bool left = false;
  {
    absl::MutexLock lock(&mutex_);
    --count_;
    auto held = streams_.find(agent);
    if (held != streams_.end() && held->second == stream) {
      streams_.erase(held);
      left = true;
    }
  }
  if (left) presence_.Disconnected(agent, absl::Now());
  --counts_.streams;
}

void Ingest::FleetChanged() {
  const std::shared_ptr<const Fleet> fleet = fleet_();
  for (const Agent& agent : fleet->agents) {
    WriterOf(agent.id).Enqueue({.agent = agent.id, .site = agent.site, .stream = nullptr, .what = TouchJob{},
                                .backlog = true, .reply = nullptr});
  }
}

void Ingest::Hold(bool held) {
  if (counts_.held_for_disk.exchange(held) == held || held) return;
  absl::MutexLock lock(&mutex_);
  for (auto& [agent, stream] : streams_) stream->Resume();
}

void Ingest::Drain(absl::Duration pause, absl::Time deadline) {
  absl::MutexLock lock(&mutex_);
  draining_ = true;
  v1::ServerMessage message;
  message.mutable_drain()->set_reconnect_after_us(absl::ToInt64Microseconds(pause));
  message.mutable_drain()->set_reason("this server is stopping");
  for (auto& [agent, stream] : streams_) stream->Tell(message);
  const auto empty = [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return count_ == 0; };
  if (mutex_.AwaitWithDeadline(absl::Condition(&empty), deadline)) return;
  for (auto& [agent, stream] : streams_) stream->End({grpc::StatusCode::UNAVAILABLE, "this server is stopping"});
}

void Ingest::Stop(absl::Time deadline) {
  for (auto& writer : writers_) writer->Stop(deadline);
}

}  // namespace bayward
