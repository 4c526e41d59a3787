// Drives many honest agents over the published uplink from a few threads, checks every ack against what was sent, and
// prints what it measured as one JSON object. The agents must be declared: bench-0001 … with a machine "bay-1" each.
//
//   bayward-load --server HOST:PORT --agents N --events N --batch N [--rate EVENTS_PER_SECOND]
#include <sys/resource.h>

#include <algorithm>
#include <atomic>
#include <cstdio>
#include <deque>
#include <memory>
#include <random>
#include <string>
#include <thread>
#include <vector>

#include "CLI/CLI.hpp"
#include "absl/time/clock.h"
#include "absl/time/time.h"
#include "bayward/v1/uplink.grpc.pb.h"
#include "fmt/format.h"
#include "grpcpp/grpcpp.h"

namespace bayward {
namespace {

struct LoadOptions {
  std::string server = "127.0.0.1:7441";
  int agents = 100;
  int events = 1'000'000;
  int batch = 50;
  int threads = 2;
  int in_flight = 4;
  double rate = 0;  // events a second over all agents; 0: as fast as acks come
};

// The mix of a working site: 60 % cycle, 25 % fault, 10 % observation and meter, 5 % other.
class EventMaker {
 public:
  EventMaker(int agent, absl::Time start) : random_(static_cast<unsigned>(agent)), at_us_(absl::ToUnixMicros(start)) {}

  std::string Next() {
    v1::Event event;
    event.set_machine("bay-1");
    at_us_ += 20'000'000 + static_cast<std::int64_t>(random_() % 20'000'000);
    event.set_recorded_at_us(at_us_);
    event.set_effective_at_us(at_us_ - 300'000);
    event.set_monotonic_us(at_us_ % 1'000'000'000'000);
    event.set_clock(v1::CLOCK_STATE_SYNCED);
    const std::uint64_t roll = made_ < 2 ? 100 : random_() % 100;
    if (made_ == 0) {
      event.mutable_observation_started();
    } else if (made_ == 1) {
      event.mutable_snapshot()->set_mode(v1::MODE_IN_SERVICE);
    } else if (roll < 60) {
      Cycle(event);
    } else if (roll < 85) {
      Fault(event);
    } else if (roll < 95) {
      event.mutable_meter()->set_quantity(v1::QUANTITY_FRESH_WATER);
      event.mutable_meter()->set_unit("m3");
      event.mutable_meter()->set_value(static_cast<double>(made_) / 8);
    } else {
      event.mutable_sale()->set_programme("3");
      event.mutable_sale()->set_sold_as(v1::SOLD_AS_CUSTOMER);
      event.mutable_sale()->set_price_minor(1290);
    }
    ++made_;
    return event.SerializeAsString();
  }

 private:
  void Cycle(v1::Event& event) {
    if (!washing_) {
      event.mutable_cycle_started()->set_cycle(fmt::format("c{}", ++cycles_));
      event.mutable_cycle_started()->set_programme("3");
      event.mutable_cycle_started()->set_sold_as(v1::SOLD_AS_CUSTOMER);
    } else {
      event.mutable_cycle_finished()->set_cycle(fmt::format("c{}", cycles_));
      event.mutable_cycle_finished()->set_outcome(v1::CYCLE_OUTCOME_COMPLETED);
      event.mutable_cycle_finished()->set_duration_us(280'000'000);
    }
    washing_ = !washing_;
  }

  void Fault(v1::Event& event) {
    constexpr v1::FaultClass kClasses[] = {v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW, v1::FAULT_CLASS_DOSING_EMPTY,
                                           v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT, v1::FAULT_CLASS_SENSORS_BEAM_BLOCKED};
    if (!faulty_) {
      fault_ = kClasses[random_() % 4];
      event.mutable_fault_raised()->set_fault_class(fault_);
      event.mutable_fault_raised()->set_raw_code("E12");
      event.mutable_fault_raised()->set_raw_text("invented text of a controller");
    } else {
      event.mutable_fault_cleared()->set_fault_class(fault_);
    }
    faulty_ = !faulty_;
  }

  std::minstd_rand random_;
  std::int64_t at_us_;
  int made_ = 0;
  int cycles_ = 0;
  bool washing_ = false;
  bool faulty_ = false;
  v1::FaultClass fault_ = v1::FAULT_CLASS_UNSPECIFIED;
};

// One agent's stream with its batches made beforehand.
struct LoadAgent {
  std::string name;
  std::string epoch;
  std::vector<v1::AgentMessage> batches;
  std::size_t sent = 0;
  std::size_t acked = 0;
  std::uint64_t through = 0;
  std::deque<absl::Time> sent_at;
  grpc::ClientContext context;
  std::unique_ptr<v1::Uplink::Stub> stub;
  std::unique_ptr<grpc::ClientReaderWriter<v1::AgentMessage, v1::ServerMessage>> stream;
};

std::unique_ptr<LoadAgent> MakeAgent(const LoadOptions& options, int number) {
  auto agent = std::make_unique<LoadAgent>();
  agent->name = fmt::format("bench-{:04}", number);
  std::random_device random;
  for (int i = 0; i < 16; ++i) agent->epoch += static_cast<char>(random());
  const int events = options.events / options.agents;
  EventMaker maker(number, absl::Now() - absl::Seconds(40) * events);
  std::uint64_t sequence = 0;
  for (int made = 0; made < events;) {
    v1::AgentMessage& message = agent->batches.emplace_back();
    message.mutable_batch()->set_epoch(agent->epoch);
    for (int i = 0; i < options.batch && made < events; ++i, ++made) {
      v1::Entry* entry = message.mutable_batch()->add_entries();
      entry->set_sequence(++sequence);
      entry->set_event(maker.Next());
    }
  }
  return agent;
}

bool Connect(const LoadOptions& options, LoadAgent& agent) {
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  agent.stub = v1::Uplink::NewStub(
      grpc::CreateCustomChannel(options.server, grpc::InsecureChannelCredentials(), arguments));
  agent.stream = agent.stub->Connect(&agent.context);
  v1::AgentMessage message;
  v1::Hello* hello = message.mutable_hello();
  hello->set_protocol_version(1);
  hello->set_agent(agent.name);
  v1::HeldEpoch* held = hello->add_held();
  held->set_epoch(agent.epoch);
  held->set_oldest_sequence(1);
  v1::ServerMessage welcome;
  return agent.stream->Write(message) && agent.stream->Read(&welcome) && welcome.has_welcome();
}

struct Measured {
  std::vector<double> ack_seconds;
  std::string fault;
};

// Takes the ack of the oldest batch under way, due at `since`.
void ReadAck(LoadAgent& agent, absl::Time since, Measured& measured) {
  v1::ServerMessage message;
  if (!agent.stream->Read(&message)) {
    measured.fault = agent.name + ": the stream ended: " + agent.stream->Finish().error_message();
    return;
  }
  const auto& entries = agent.batches[agent.acked].batch().entries();
  const std::uint64_t last = entries.rbegin()->sequence();
  if (!message.has_ack() || message.ack().through_sequence() != last || message.ack().rejected() != 0) {
    measured.fault = agent.name + ": expected an ack through " + std::to_string(last) + ", got " +
                     message.ShortDebugString();
    return;
  }
  measured.ack_seconds.push_back(absl::ToDoubleSeconds(absl::Now() - since));
  ++agent.acked;
}

// Keeps up to `in_flight` batches of each agent on their way.
void DriveFlatOut(const LoadOptions& options, const std::vector<LoadAgent*>& agents, Measured& measured) {
  bool more = true;
  while (more && measured.fault.empty()) {
    more = false;
    for (LoadAgent* agent : agents) {
      while (agent->sent < agent->batches.size() &&
             agent->sent - agent->acked < static_cast<std::size_t>(options.in_flight)) {
        agent->sent_at.push_back(absl::Now());
        if (!agent->stream->Write(agent->batches[agent->sent])) break;
        ++agent->sent;
      }
    }
    for (LoadAgent* agent : agents) {
      if (agent->acked == agent->sent) continue;
      ReadAck(*agent, agent->sent_at.front(), measured);
      if (!measured.fault.empty()) return;
      agent->sent_at.pop_front();
      more = more || agent->acked < agent->batches.size();
    }
  }
}

// A batch of one agent after the other, each acknowledged before the next. A batch that had to wait for the ack before
// it counts from when it was due.
void DriveAtRate(const LoadOptions& options, const std::vector<LoadAgent*>& agents, Measured& measured) {
  const absl::Duration apart = absl::Seconds(options.batch * options.threads / options.rate);
  absl::Time due = absl::Now();
  for (std::size_t batch = 0; batch < agents.front()->batches.size(); ++batch) {
    for (LoadAgent* agent : agents) {
      absl::SleepFor(due - absl::Now());
      agent->stream->Write(agent->batches[agent->sent++]);
      ReadAck(*agent, due, measured);
      if (!measured.fault.empty()) return;
      due += apart;
    }
  }
}

double CpuSeconds() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  const auto seconds = [](const timeval& t) { return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6; };
  return seconds(usage.ru_utime) + seconds(usage.ru_stime);
}

int Run(const LoadOptions& options) {
  std::vector<std::unique_ptr<LoadAgent>> agents;
  std::vector<std::vector<LoadAgent*>> shares(static_cast<std::size_t>(options.threads));
  for (int i = 1; i <= options.agents; ++i) {
    agents.push_back(MakeAgent(options, i));
    shares[static_cast<std::size_t>(i) % shares.size()].push_back(agents.back().get());
  }
  for (auto& agent : agents) {
    if (!Connect(options, *agent)) {
      fmt::print(stderr, "{} was not welcomed at {}: is it declared?\n", agent->name, options.server);
      return 1;
    }
  }
  std::vector<Measured> measured(shares.size());
  const double cpu_before = CpuSeconds();
  const absl::Time begun = absl::Now();
  std::vector<std::thread> threads;
  for (std::size_t i = 0; i < shares.size(); ++i) {
    threads.emplace_back([&, i] {
      options.rate > 0 ? DriveAtRate(options, shares[i], measured[i]) : DriveFlatOut(options, shares[i], measured[i]);
    });
  }
  for (std::thread& thread : threads) thread.join();
  const double seconds = absl::ToDoubleSeconds(absl::Now() - begun);
  std::vector<double> acks;
  for (const Measured& one : measured) {
    if (!one.fault.empty()) {
      fmt::print(stderr, "{}\n", one.fault);
      return 1;
    }
    acks.insert(acks.end(), one.ack_seconds.begin(), one.ack_seconds.end());
  }
  std::sort(acks.begin(), acks.end());
  const auto quantile = [&](double q) { return acks[static_cast<std::size_t>(q * static_cast<double>(acks.size() - 1))]; };
  const int events = options.events / options.agents * options.agents;
  fmt::print("{{\"events\": {}, \"seconds\": {:.6f}, \"cpu_seconds\": {:.6f}, \"ack_p50\": {:.6f}, \"ack_p99\": {:.6f}, "
             "\"ack_max\": {:.6f}}}\n",
             events, seconds, CpuSeconds() - cpu_before, quantile(0.5), quantile(0.99), acks.back());
  return 0;
}

}  // namespace
}  // namespace bayward

int main(int argc, char** argv) {
  bayward::LoadOptions options;
  CLI::App app("Many honest agents against one server");
  app.add_option("--server", options.server, "address agents connect to");
  app.add_option("--agents", options.agents)->check(CLI::Range(1, 9999));
  app.add_option("--events", options.events, "over all agents")->check(CLI::PositiveNumber);
  app.add_option("--batch", options.batch)->check(CLI::Range(1, 2000));
  app.add_option("--threads", options.threads)->check(CLI::Range(1, 16));
  app.add_option("--in-flight", options.in_flight, "batches of one agent under way")->check(CLI::Range(1, 8));
  app.add_option("--rate", options.rate, "events a second over all agents; 0: as fast as acks come");
  CLI11_PARSE(app, argc, argv);
  return bayward::Run(options);
}
