// The agent as its own process: what it answers at the command line, and a rehearsal played to a server.
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <iterator>
#include <set>
#include <string>
#include <vector>

#include "absl/time/clock.h"
#include "absl/time/time.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/fake_uplink_server.h"

extern char** environ;

namespace bayward {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;

class Process {
 public:
  Process(std::vector<std::string> arguments, const std::filesystem::path& output) {
    arguments.insert(arguments.begin(), BAYWARD_AGENT);
    std::vector<char*> pointers;
    for (std::string& argument : arguments) pointers.push_back(argument.data());
    pointers.push_back(nullptr);
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, output.c_str(), O_WRONLY | O_CREAT | O_APPEND,
                                     0600);
    posix_spawn_file_actions_adddup2(&actions, STDOUT_FILENO, STDERR_FILENO);
    EXPECT_EQ(posix_spawn(&process_, BAYWARD_AGENT, &actions, nullptr, pointers.data(), environ), 0);
    posix_spawn_file_actions_destroy(&actions);
  }
  ~Process() {
    if (process_ <= 0) return;
    kill(process_, SIGKILL);
    waitpid(process_, nullptr, 0);
  }
  Process(const Process&) = delete;
  Process& operator=(const Process&) = delete;

  void Signal(int number) { kill(process_, number); }
  // The exit code; -1 where a signal ended it.
  int Wait() {
    int status = 0;
    waitpid(process_, &status, 0);
    process_ = 0;
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }

 private:
  pid_t process_ = 0;
};

class AgentProgramTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(::testing::TempDir()) / "bayward-agent-program" /
              ::testing::UnitTest::GetInstance()->current_test_info()->name();
    std::filesystem::remove_all(folder_);
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  std::string Config(const std::string& name, const std::string& more = "") {
    const std::filesystem::path file = folder_ / (name + ".toml");
    std::ofstream(file) << "[agent]\nname = \"" << name << "\"\ndata_dir = \"" << name
                        << "\"\n[uplink]\nserver = \"" << server_.address() << "\"\n"
                        << more << "[[source]]\nname = \"past\"\nkind = \"rehearsal\"\npath = \"" << name
                        << ".jsonl\"\nmachines = [\"bay-1\"]\n";
    return file.string();
  }
  // Cycles of a machine, one a minute, the last an hour ago.
  void Scenario(const std::string& name, int cycles) {
    std::ofstream file(folder_ / (name + ".jsonl"));
    const std::int64_t end = absl::ToUnixMicros(absl::Now() - absl::Hours(1));
    const auto line = [&file, end, cycles](int minute, const std::string& what) {
      file << R"({"machine":"bay-1","recordedAtUs":")" << end - (cycles - minute) * 60'000'000LL << "\","
           << what << "}\n";
    };
    line(0, R"("observationStarted":{})");
    line(0, R"("snapshot":{"mode":"MODE_IN_SERVICE"})");
    for (int i = 1; i <= cycles; ++i) line(i, R"("cycleStarted":{"cycle":"c)" + std::to_string(i) + "\"}");
  }
  int Run(std::vector<std::string> arguments) {
    return Process(std::move(arguments), folder_ / "out").Wait();
  }
  std::string Output() {
    std::ifstream file(folder_ / "out");
    return {std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
  }

  FakeUplinkServer server_;
  std::filesystem::path folder_;
};

TEST_F(AgentProgramTest, AnswersAtTheCommandLine) {
  EXPECT_EQ(Run({"--version"}), 0);
  EXPECT_THAT(Output(), HasSubstr("bayward-agent " BAYWARD_VERSION));
  EXPECT_EQ(Run({"--help"}), 0);
  EXPECT_THAT(Output(), AllOf(HasSubstr("bayward-agent run --config"), HasSubstr("78 bad configuration")));
  EXPECT_EQ(Run({"run"}), 64);
  EXPECT_EQ(Run({"walk"}), 64);
  EXPECT_EQ(Run({"--config", Config("north"), "--check-config"}), 0);
  EXPECT_EQ(Run({"--config", Config("north"), "--print-config"}), 0);
  EXPECT_THAT(Output(), HasSubstr("agent.name = \"north\""));
}

TEST_F(AgentProgramTest, BadConfigurationIsToldWhole) {
  EXPECT_EQ(Run({"run", "--config", Config("north", "plaintxt = true\n"), "--config",
                 Config("south", "port = 1\n")}),
            78);
  EXPECT_THAT(Output(), AllOf(HasSubstr("north.toml:6: no setting is called uplink.plaintxt"),
                              HasSubstr("south.toml:6: no setting is called uplink.port")));
  EXPECT_FALSE(std::filesystem::exists(folder_ / "north"));
}

TEST_F(AgentProgramTest, FolderThatCannotBeUsedEndsTheStart) {
  Scenario("north", 1);
  std::ofstream(folder_ / "north") << "a file, no folder";
  EXPECT_EQ(Run({"run", "--config", Config("north")}), 69);
  EXPECT_THAT(Output(), HasSubstr("cannot start"));
}

TEST_F(AgentProgramTest, PlaysToTheServerAndStopsCleanly) {
  constexpr int kCycles = 2000;
  Scenario("north", kCycles);
  Scenario("south", kCycles);
  Process agent({"run", "--config", Config("north"), "--config", Config("south")}, folder_ / "out");
  ASSERT_TRUE(server_.WaitUntil([](const auto& state) { return state.ledger.size() >= 2 * (kCycles + 2); }));
  // The minute it is played up to comes near the present once all is delivered.
  ASSERT_TRUE(server_.WaitUntil([](const auto& state) {
    const auto heartbeats = state.Heartbeats();
    return !heartbeats.empty() &&
           absl::FromUnixMicros(heartbeats.back()->alive_until_us()) > absl::Now() - absl::Minutes(1);
  }));
  agent.Signal(SIGTERM);
  EXPECT_EQ(agent.Wait(), 0);
  EXPECT_THAT(Output(), HasSubstr("stopped"));
  EXPECT_THAT(server_.state().faults, ::testing::IsEmpty());
}

TEST_F(AgentProgramTest, KilledAgentGoesOnWithoutLossOrRepeat) {
  constexpr int kCycles = 20'000;
  Scenario("north", kCycles);
  const std::string config = Config("north");
  for (const std::size_t until : {1000, 5000, 9000}) {
    Process agent({"run", "--config", config}, folder_ / "out");
    ASSERT_TRUE(server_.WaitUntil([until](const auto& state) { return state.ledger.size() >= until; }));
    agent.Signal(SIGKILL);
    EXPECT_EQ(agent.Wait(), -1);
  }
  Process agent({"run", "--config", config}, folder_ / "out");
  ASSERT_TRUE(server_.WaitUntil([](const auto& state) { return state.ledger.size() >= kCycles + 2; }));
  agent.Signal(SIGINT);
  EXPECT_EQ(agent.Wait(), 0);
  const auto state = server_.state();
  ASSERT_EQ(state.ledger.size(), static_cast<std::size_t>(kCycles) + 2);
  for (int i = 1; i <= kCycles; ++i) {
    ASSERT_EQ(state.ledger[static_cast<std::size_t>(i) + 1].event.cycle_started().cycle(),
              "c" + std::to_string(i));
  }
  std::set<std::string> epochs;
  for (const auto& applied : state.ledger) epochs.insert(applied.epoch);
  EXPECT_GT(epochs.size(), 1u);
}

}  // namespace
}  // namespace bayward
