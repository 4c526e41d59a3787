#include "agent/config/agent_config.h"

#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::AllOf;
using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

constexpr char kRehearsal[] = "[[source]]\nname = \"past\"\nkind = \"rehearsal\"\npath = \"s.jsonl\"\n";

class AgentConfigTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(::testing::TempDir()) / "bayward-agent-config" /
              ::testing::UnitTest::GetInstance()->current_test_info()->name();
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  AgentConfig Read(const std::string& toml) {
    const std::filesystem::path file = folder_ / "agent.toml";
    std::ofstream(file) << toml;
    faults_.clear();
    const Settings settings = Settings::Read(AgentSettings(), {}, file, AgentTables(), faults_,
                                             [](const char*) { return nullptr; });
    return ReadAgentConfig(settings, Clock::System(), faults_);
  }
  static std::string Whole(const std::string& server = "127.0.0.1:7410", const std::string& more = "") {
    return "[agent]\nname = \"north\"\ndata_dir = \"data\"\n[uplink]\nserver = \"" + server + "\"\n" + more +
           kRehearsal + "machines = [\"bay-1\"]\n";
  }

  std::filesystem::path folder_;
  std::vector<std::string> faults_;
};

TEST_F(AgentConfigTest, WholeConfiguration) {
  const AgentConfig config = Read(Whole());
  EXPECT_THAT(faults_, IsEmpty());
  EXPECT_EQ(config.name, "north");
  EXPECT_EQ(config.data_dir, folder_ / "data");
  EXPECT_EQ(config.server, "127.0.0.1:7410");
  EXPECT_EQ(config.spool_bytes_max, 256u << 20);
  EXPECT_EQ(config.spool_age_max, absl::Hours(7 * 24));
  ASSERT_THAT(config.sources, SizeIs(1));
  EXPECT_EQ(config.sources[0]->name(), "past");
}

TEST_F(AgentConfigTest, EveryFaultIsTold) {
  Read("[agent]\nname = \"no spaces here\"\n[uplink]\nserver = \"nowhere\"\nport = 1\n" +
       std::string(kRehearsal) + "machine = [\"bay-1\"]\n");
  EXPECT_THAT(faults_, Contains(AllOf(HasSubstr("agent.toml:2"), HasSubstr("agent.name"))));
  EXPECT_THAT(faults_, Contains(HasSubstr("agent.data_dir is missing")));
  EXPECT_THAT(faults_, Contains(AllOf(HasSubstr("agent.toml:4"), HasSubstr("host:port"))));
  EXPECT_THAT(faults_, Contains(AllOf(HasSubstr("agent.toml:5"), HasSubstr("uplink.port"))));
  EXPECT_THAT(faults_, Contains(AllOf(HasSubstr("agent.toml:"), HasSubstr("machines"))));
}

TEST_F(AgentConfigTest, PlaintextStaysOnThisMachine) {
  for (const char* server : {"localhost:1", "127.0.0.2:7410", "[::1]:7410"}) {
    Read(Whole(server));
    EXPECT_THAT(faults_, IsEmpty()) << server;
  }
  for (const char* server :
       {"192.0.2.1:7410", "example.net:7410", "127.example.net:7410", "[2001:db8::1]:7410"}) {
    Read(Whole(server));
    EXPECT_THAT(faults_, ElementsAre(HasSubstr("expected an address of this machine"))) << server;
    Read(Whole(server, "plaintext = true\n"));
    EXPECT_THAT(faults_, ElementsAre(HasSubstr("expected an address of this machine"))) << server;
  }
  Read(Whole("127.0.0.1:7410", "plaintext = false\n"));
  EXPECT_THAT(faults_, ElementsAre(HasSubstr("no TLS")));
}

TEST_F(AgentConfigTest, ServerIsHostAndPort) {
  for (const char* server :
       {"localhost", "localhost:", ":7410", "localhost:0", "localhost:70000", "::1:7410"}) {
    Read(Whole(server));
    EXPECT_THAT(faults_, ElementsAre(HasSubstr("host:port"))) << server;
  }
}

TEST_F(AgentConfigTest, SomethingMustBeWatched) {
  Read("[agent]\nname = \"n\"\ndata_dir = \"d\"\n[uplink]\nserver = \"localhost:1\"\n");
  EXPECT_THAT(faults_, ElementsAre(HasSubstr("no [[source]]")));
  Read("source = 1\n[agent]\nname = \"n\"\ndata_dir = \"d\"\n[uplink]\nserver = \"localhost:1\"\n");
  EXPECT_THAT(faults_, ElementsAre(HasSubstr("agent.toml:1: source: expected tables")));
}

TEST_F(AgentConfigTest, OneRehearsalAnAgent) {
  std::string second = kRehearsal;
  second.replace(second.find("past"), 4, "more");
  Read(Whole() + second + "machines = [\"bay-2\"]\n");
  EXPECT_THAT(faults_, ElementsAre(HasSubstr("a second rehearsal")));
}

TEST_F(AgentConfigTest, AgentsOfOneProcessKeepApart) {
  std::vector<AgentConfig> agents(2);
  agents[0].name = "north";
  agents[0].data_dir = "/var/lib/a";
  agents[1].name = "south";
  agents[1].data_dir = "/var/lib/b";
  std::vector<std::string> faults;
  CheckAgents(agents, faults);
  EXPECT_THAT(faults, IsEmpty());
  agents[1].name = "north";
  agents[1].data_dir = "/var/lib/../lib/a";
  CheckAgents(agents, faults);
  EXPECT_THAT(faults, ElementsAre(HasSubstr("agent.name"), HasSubstr("agent.data_dir")));
}

}  // namespace
}  // namespace bayward
