#include "tests/support/modbus_controller.h"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <vector>

#include "gtest/gtest.h"

extern char** environ;

namespace bayward {

ModbusController::ModbusController(const std::string& units) {
  std::array<int, 2> to{};
  std::array<int, 2> from{};
  if (pipe2(to.data(), O_CLOEXEC) != 0 || pipe2(from.data(), O_CLOEXEC) != 0) return;
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, to[0], STDIN_FILENO);
  posix_spawn_file_actions_adddup2(&actions, from[1], STDOUT_FILENO);
  std::string python = "/usr/bin/python3";
  std::string script = BAYWARD_SOURCE_DIR "/tests/integration/modbus_controller.py";
  std::string option = "--units";
  std::string units_text = units;
  std::vector<char*> arguments = {python.data(), script.data(), option.data(), units_text.data(), nullptr};
  const int error = posix_spawn(&process_, python.c_str(), &actions, nullptr, arguments.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  close(to[0]);
  close(from[1]);
  commands_ = fdopen(to[1], "w");
  answers_ = fdopen(from[0], "r");
  if (error != 0) {
    process_ = -1;
    return;
  }
  const std::string said = ReadLine();
  if (said.rfind("port ", 0) == 0) port_ = static_cast<std::uint16_t>(std::stoi(said.substr(5)));
}

ModbusController::~ModbusController() {
  if (commands_ != nullptr) std::fclose(commands_);
  if (answers_ != nullptr) std::fclose(answers_);
  if (process_ > 0) waitpid(process_, nullptr, 0);
}

std::string ModbusController::Tell(const std::string& commands) {
  std::fprintf(commands_, "%s\n", commands.c_str());
  std::fflush(commands_);
  const std::string answer = ReadLine();
  EXPECT_EQ(answer.substr(0, 2), "ok") << commands << ": " << answer;
  return answer.size() > 3 ? answer.substr(3) : "";
}

std::string ModbusController::ReadLine() {
  std::array<char, 512> line{};
  if (std::fgets(line.data(), static_cast<int>(line.size()), answers_) == nullptr) return "";
  std::string text = line.data();
  while (!text.empty() && text.back() == '\n') text.pop_back();
  return text;
}

}  // namespace bayward
