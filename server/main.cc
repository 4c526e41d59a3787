#include <csignal>
#include <iostream>
#include <string>
#include <thread>
#include <vector>

#include "proto/common/log.h"
#include "proto/common/settings.h"
#include "proto/common/status.h"
#include "server/config/server_config.h"
#include "server/server.h"

namespace {

// Turns SIGTERM and SIGINT into the stop flag, on a thread that does nothing else.
void StopOnSignal(bayward::StopFlag& stop) {
  sigset_t signals;
  sigemptyset(&signals);
  sigaddset(&signals, SIGTERM);
  sigaddset(&signals, SIGINT);
  // Blocked before any other thread exists, so that only this one takes them.
  pthread_sigmask(SIG_BLOCK, &signals, nullptr);
  std::thread([&stop, signals] {
    int number = 0;
    sigwait(&signals, &number);
    stop.Stop();
  }).detach();
}

}  // namespace

int main(int argc, char** argv) {
  using namespace bayward;
  const auto parsed = ParseCommandLine(ServerProgram(), ServerSettings(), argc, argv, std::cout, std::cerr);
  if (const int* code = std::get_if<int>(&parsed)) return *code;
  const CommandLine& line = std::get<CommandLine>(parsed);
  std::vector<std::string> faults;
  const Settings settings =
      Settings::Read(ServerSettings(), line, line.config_files.empty() ? "" : line.config_files.front(), {}, faults);
  const ServerConfig config = MakeServerConfig(settings, faults);
  if (const auto code = AnswerConfigRequests(line, {settings}, faults, std::cout, std::cerr)) return *code;
  static StopFlag stop;
  StopOnSignal(stop);
  signal(SIGPIPE, SIG_IGN);
  absl::Status status = StartLog("bayward-server", config.log_level);
  if (status.ok()) status = RunServer(config, stop);
  if (status.ok()) return 0;
  std::cerr << "bayward-server: " << Message(status) << '\n';
  return kExitCannotStart;
}
