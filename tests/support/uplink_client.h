// An honest agent's end of the uplink, written against the published proto only. Blocking, one thread.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "bayward/v1/uplink.grpc.pb.h"
#include "grpcpp/grpcpp.h"

namespace bayward::testing {

class UplinkClient {
 public:
  UplinkClient(std::shared_ptr<grpc::Channel> channel, std::string agent);
  ~UplinkClient();

  struct Held {
    std::string epoch;
    std::string predecessor;
    std::uint64_t oldest = 1;
    std::uint64_t last = 0;
  };
  v1::Hello MakeHello(const std::vector<Held>& held) const;

  bool Send(const v1::AgentMessage& message);
  bool SendHello(const std::vector<Held>& held);
  bool SendBatch(const std::string& epoch, std::uint64_t first, const std::vector<v1::Event>& events);
  bool SendRaw(const std::string& epoch, std::uint64_t first, const std::vector<std::string>& events);
  bool SendHeartbeat(const std::string& epoch, std::uint64_t last, std::int64_t alive_until_us);

  // The next message; a message with nothing set where the stream has ended.
  v1::ServerMessage Read();
  // Ends the stream and gives how it ended.
  grpc::Status Finish();
  void Cancel() { context_.TryCancel(); }

 private:
  const std::string agent_;
  grpc::ClientContext context_;
  std::unique_ptr<v1::Uplink::Stub> stub_;
  std::unique_ptr<grpc::ClientReaderWriter<v1::AgentMessage, v1::ServerMessage>> stream_;
  bool finished_ = false;
};

// An epoch's 16 bytes, made of a number.
std::string EpochBytes(int number);

// Events at `at_us`, recorded then too.
v1::Event Started(const std::string& machine, std::int64_t at_us);
v1::Event SnapshotOf(const std::string& machine, std::int64_t at_us, const std::vector<v1::FaultClass>& faults = {});
v1::Event Raised(const std::string& machine, std::int64_t at_us, v1::FaultClass fault_class);
v1::Event Cleared(const std::string& machine, std::int64_t at_us, v1::FaultClass fault_class);
v1::Event CycleBegan(const std::string& machine, std::int64_t at_us, const std::string& cycle);
v1::Event CycleEnded(const std::string& machine, std::int64_t at_us, const std::string& cycle,
                     v1::CycleOutcome outcome = v1::CYCLE_OUTCOME_COMPLETED);
v1::Event StepReached(const std::string& machine, std::int64_t at_us, const std::string& cycle,
                      const std::string& step);
v1::Event SignalOf(const std::string& machine, std::int64_t at_us, const std::string& signal, double value,
                   const std::string& unit, const std::string& cycle = "");

}  // namespace bayward::testing
