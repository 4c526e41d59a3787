// bayward-agent: watches wash machines and delivers what they do to a server. Only wires.
#include <malloc.h>
#include <pthread.h>
#include <signal.h>

#include <cerrno>
#include <ctime>
#include <iostream>
#include <memory>
#include <thread>
#include <variant>
#include <vector>

#include "agent/agent.h"
#include "agent/config/agent_config.h"
#include "proto/common/log.h"
#include "proto/common/settings.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr absl::Duration kStopGrace = absl::Seconds(3);

Program AgentProgram() {
  return {
      .name = "bayward-agent",
      .about =
          "Watches wash machines, keeps what they do in a spool on disk, and delivers it to a Bayward "
          "server.\n"
          "Each setting can also be set by the environment: BAYWARD_UPLINK_SERVER for uplink.server.\n"
          "Exit codes: 0 done, 64 wrong usage, 69 cannot start, 78 bad configuration.",
      .examples =
          "  bayward-agent run --config /etc/bayward/agent.toml\n"
          "  bayward-agent run --config north.toml --config south.toml   several agents, one process\n"
          "  bayward-agent --config agent.toml --check-config             tell every fault and exit\n"
          "  bayward-agent --config agent.toml --print-config             tell where each value comes from",
      .commands = {{"run", "Watch and deliver until told to stop (SIGTERM or SIGINT)"}},
      .many_config_files = true};
}

// Blocks the signals for this thread and those it starts; they are waited for in Run.
sigset_t BlockSignals() {
  sigset_t signals;
  sigemptyset(&signals);
  sigaddset(&signals, SIGTERM);
  sigaddset(&signals, SIGINT);
  pthread_sigmask(SIG_BLOCK, &signals, nullptr);
  signal(SIGPIPE, SIG_IGN);
  return signals;
}

// Ticks until a signal asks to stop.
void Run(const std::vector<std::unique_ptr<Agent>>& agents, const sigset_t& signals) {
  const timespec second = {1, 0};
  while (true) {
    const int got = sigtimedwait(&signals, nullptr, &second);
    if (got == SIGTERM || got == SIGINT) {
      spdlog::info("stopping: {}", got == SIGTERM ? "SIGTERM" : "SIGINT");
      return;
    }
    for (const auto& agent : agents) agent->Tick();
  }
}

// All at once: each may wait for the server.
void StopAll(const std::vector<std::unique_ptr<Agent>>& agents) {
  std::vector<std::thread> stops;
  for (const auto& agent : agents) stops.emplace_back([&agent] { agent->Stop(kStopGrace); });
  for (std::thread& stop : stops) stop.join();
}

int RunAgents(std::vector<AgentConfig> configs) {
  const sigset_t signals = BlockSignals();
  std::vector<std::unique_ptr<Agent>> agents;
  for (AgentConfig& config : configs) {
    agents.push_back(std::make_unique<Agent>(std::move(config), Clock::System()));
    if (const absl::Status status = agents.back()->Start(); !status.ok()) {
      spdlog::error("agent {}: cannot start: {}", agents.back()->name(), Message(status));
      StopAll(agents);
      return kExitCannotStart;
    }
  }
  Run(agents, signals);
  StopAll(agents);
  spdlog::info("stopped");
  return 0;
}

int Main(int argc, char** argv) {
  const Program program = AgentProgram();
  const auto parsed = ParseCommandLine(program, AgentSettings(), argc, argv, std::cout, std::cerr);
  if (const int* code = std::get_if<int>(&parsed)) return *code;
  const CommandLine& line = std::get<CommandLine>(parsed);
  if (line.config_files.empty()) {
    std::cerr << program.name << ": expected --config FILE; see " << program.name << " --help\n";
    return kExitUsage;
  }
  std::vector<std::string> faults;
  std::vector<Settings> settings;
  std::vector<AgentConfig> configs;
  for (const auto& file : line.config_files) {
    settings.push_back(Settings::Read(AgentSettings(), line, file, AgentTables(), faults));
    configs.push_back(ReadAgentConfig(settings.back(), Clock::System(), faults));
  }
  CheckAgents(configs, faults);
  if (const auto code = AnswerConfigRequests(line, settings, faults, std::cout, std::cerr)) return *code;
  if (const absl::Status status = StartLog(program.name, configs.front().log_level); !status.ok()) {
    std::cerr << Message(status) << "\n";
    return kExitBadConfig;
  }
  // Each thread's own heap would cost more than all that the agents keep.
  mallopt(M_ARENA_MAX, 2);
  return RunAgents(std::move(configs));
}

}  // namespace
}  // namespace bayward

int main(int argc, char** argv) { return bayward::Main(argc, argv); }
