#include "tests/support/uplink_client.h"

namespace bayward::testing {
namespace {

v1::Event At(const std::string& machine, std::int64_t at_us) {
  v1::Event event;
  event.set_machine(machine);
  event.set_recorded_at_us(at_us);
  event.set_effective_at_us(at_us);
  event.set_clock(v1::CLOCK_STATE_SYNCED);
  return event;
}

}  // namespace

UplinkClient::UplinkClient(std::shared_ptr<grpc::Channel> channel, std::string agent)
    : agent_(std::move(agent)), stub_(v1::Uplink::NewStub(channel)), stream_(stub_->Connect(&context_)) {}

UplinkClient::~UplinkClient() {
  if (finished_) return;
  context_.TryCancel();
  Finish();
}

v1::Hello UplinkClient::MakeHello(const std::vector<Held>& held) const {
  v1::Hello hello;
  hello.set_protocol_version(1);
  hello.set_agent(agent_);
  hello.set_agent_version("test");
  for (const Held& one : held) {
    v1::HeldEpoch* epoch = hello.add_held();
    epoch->set_epoch(one.epoch);
    epoch->set_predecessor(one.predecessor);
    epoch->set_oldest_sequence(one.oldest);
    epoch->set_last_sequence(one.last);
  }
  return hello;
}

bool UplinkClient::Send(const v1::AgentMessage& message) { return stream_->Write(message); }

bool UplinkClient::SendHello(const std::vector<Held>& held) {
  v1::AgentMessage message;
  *message.mutable_hello() = MakeHello(held);
  return Send(message);
}

bool UplinkClient::SendBatch(const std::string& epoch, std::uint64_t first, const std::vector<v1::Event>& events) {
  std::vector<std::string> raw;
  for (const v1::Event& event : events) raw.push_back(event.SerializeAsString());
  return SendRaw(epoch, first, raw);
}

bool UplinkClient::SendRaw(const std::string& epoch, std::uint64_t first, const std::vector<std::string>& events) {
  v1::AgentMessage message;
  message.mutable_batch()->set_epoch(epoch);
  for (const std::string& event : events) {
    v1::Entry* entry = message.mutable_batch()->add_entries();
    entry->set_sequence(first++);
    entry->set_event(event);
  }
  return Send(message);
}

bool UplinkClient::SendHeartbeat(const std::string& epoch, std::uint64_t last, std::int64_t alive_until_us) {
  v1::AgentMessage message;
  message.mutable_heartbeat()->set_epoch(epoch);
  message.mutable_heartbeat()->set_last_sequence(last);
  message.mutable_heartbeat()->set_alive_until_us(alive_until_us);
  return Send(message);
}

v1::ServerMessage UplinkClient::Read() {
  v1::ServerMessage message;
  if (!stream_->Read(&message)) message.Clear();
  return message;
}

grpc::Status UplinkClient::Finish() {
  finished_ = true;
  stream_->WritesDone();
  v1::ServerMessage rest;
  while (stream_->Read(&rest)) {
  }
  return stream_->Finish();
}

std::string EpochBytes(int number) {
  std::string bytes(16, '\x5a');
  for (std::size_t i = 0; i < 4; ++i) bytes[i] = static_cast<char>(number >> (8 * i));
  return bytes;
}

v1::Event Started(const std::string& machine, std::int64_t at_us) {
  v1::Event event = At(machine, at_us);
  event.mutable_observation_started();
  return event;
}

v1::Event SnapshotOf(const std::string& machine, std::int64_t at_us, const std::vector<v1::FaultClass>& faults) {
  v1::Event event = At(machine, at_us);
  event.mutable_snapshot()->set_mode(v1::MODE_IN_SERVICE);
  for (const v1::FaultClass fault : faults) event.mutable_snapshot()->add_faults()->set_fault_class(fault);
  return event;
}

v1::Event Raised(const std::string& machine, std::int64_t at_us, v1::FaultClass fault_class) {
  v1::Event event = At(machine, at_us);
  event.mutable_fault_raised()->set_fault_class(fault_class);
  event.mutable_fault_raised()->set_raw_code("E07");
  return event;
}

v1::Event Cleared(const std::string& machine, std::int64_t at_us, v1::FaultClass fault_class) {
  v1::Event event = At(machine, at_us);
  event.mutable_fault_cleared()->set_fault_class(fault_class);
  return event;
}

v1::Event CycleBegan(const std::string& machine, std::int64_t at_us, const std::string& cycle) {
  v1::Event event = At(machine, at_us);
  event.mutable_cycle_started()->set_cycle(cycle);
  event.mutable_cycle_started()->set_programme("2");
  return event;
}

v1::Event CycleEnded(const std::string& machine, std::int64_t at_us, const std::string& cycle,
                     v1::CycleOutcome outcome) {
  v1::Event event = At(machine, at_us);
  event.mutable_cycle_finished()->set_cycle(cycle);
  event.mutable_cycle_finished()->set_outcome(outcome);
  return event;
}

v1::Event StepReached(const std::string& machine, std::int64_t at_us, const std::string& cycle,
                      const std::string& step) {
  v1::Event event = At(machine, at_us);
  event.mutable_cycle_step()->set_cycle(cycle);
  event.mutable_cycle_step()->set_step(step);
  return event;
}

v1::Event SignalOf(const std::string& machine, std::int64_t at_us, const std::string& signal, double value,
                   const std::string& unit, const std::string& cycle) {
  v1::Event event = At(machine, at_us);
  event.mutable_signal_changed()->set_signal(signal);
  event.mutable_signal_changed()->set_value(value);
  event.mutable_signal_changed()->set_unit(unit);
  event.mutable_signal_changed()->set_cycle(cycle);
  return event;
}

}  // namespace bayward::testing
