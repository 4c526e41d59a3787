// A server's end of the uplink for tests of agents: it keeps a ledger by the rules of delivery, and does what
// a test tells it. Thread-safe.
#pragma once

#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"
#include "bayward/v1/event.pb.h"
#include "bayward/v1/uplink.grpc.pb.h"
#include "grpcpp/server.h"

namespace bayward {

class FakeUplinkServer : public v1::Uplink::Service {
 public:
  // What has come in, in order; `connection` counts from 1.
  struct Received {
    int connection = 0;
    v1::AgentMessage message;
  };
  // An event as it was applied; a tombstone once.
  struct Applied {
    std::string epoch;
    std::uint64_t sequence = 0;
    v1::Event event;
  };
  struct State {
    int connections = 0;
    int open = 0;
    std::vector<Received> received;
    std::vector<Applied> ledger;
    std::map<std::string, std::uint64_t> watermarks;
    std::vector<std::string> faults;  // what an agent must never do

    std::vector<const v1::Batch*> Batches(int connection = 0) const;
    std::vector<const v1::Heartbeat*> Heartbeats(int connection = 0) const;
    std::vector<const v1::LiveReport*> LiveReports(int connection = 0) const;
    const v1::Hello* LastHello() const;
  };

  // Listens at 127.0.0.1; `port` 0: any.
  explicit FakeUplinkServer(int port = 0);
  ~FakeUplinkServer() override;

  std::string address() const { return "127.0.0.1:" + std::to_string(port_); }
  int port() const { return port_; }

  // Sent to each agent; resume is filled in from the watermarks.
  void SetWelcome(const v1::Welcome& welcome);
  // The next hellos are answered with these, one each.
  void RefuseNext(std::vector<grpc::Status> statuses);
  // Batches are applied, acknowledged only while this is set; setting it acknowledges what is open.
  void SetAcknowledges(bool acknowledges);
  // The next batch is not applied; the agent is told to resume.
  void LoseNextBatch();
  void SetWatermark(const std::string& epoch, std::uint64_t sequence);
  void Supersede(const std::string& epoch);
  void AnswerStartNewEpoch(const std::string& epoch, std::uint64_t watermark);
  // With the next ack.
  void WantSnapshots(std::vector<std::string> machines);
  // To all that are connected.
  void Send(const v1::ServerMessage& message);
  void Disconnect();

  State state() const;
  // Waits until `holds`; false if it does not within 20 s.
  bool WaitUntil(const std::function<bool(const State&)>& holds) const;

 private:
  using Stream = grpc::ServerReaderWriter<v1::ServerMessage, v1::AgentMessage>;

  grpc::Status Connect(grpc::ServerContext* context, Stream* stream) override;
  grpc::Status Greet(const v1::Hello& hello, Stream* stream);
  void Take(const v1::Batch& batch, Stream* stream) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Acknowledge(const std::string& epoch, Stream* stream) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  int port_ = 0;
  mutable absl::Mutex mutex_;
  State state_ ABSL_GUARDED_BY(mutex_);
  v1::Welcome welcome_ ABSL_GUARDED_BY(mutex_);
  std::deque<grpc::Status> refusals_ ABSL_GUARDED_BY(mutex_);
  bool acknowledges_ ABSL_GUARDED_BY(mutex_) = true;
  bool lose_next_ ABSL_GUARDED_BY(mutex_) = false;
  std::map<std::string, bool> superseded_ ABSL_GUARDED_BY(mutex_);
  std::map<std::string, std::uint64_t> start_new_ ABSL_GUARDED_BY(mutex_);
  std::vector<std::string> wanted_ ABSL_GUARDED_BY(mutex_);
  std::map<Stream*, grpc::ServerContext*> streams_ ABSL_GUARDED_BY(mutex_);
  std::unique_ptr<grpc::Server> server_;
};

}  // namespace bayward
