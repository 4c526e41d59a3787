#include "agent/sources/source_factory.h"

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "agent/codebook/table_reader.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

class SourceFactoryTest : public ::testing::Test {
 protected:
  // `text`: a whole [[source]]'s keys, from line 1 of agent.toml on.
  std::unique_ptr<Source> Make(const std::string& text) {
    faults_.clear();
    const auto toml = TomlText::Parse(text, "agent.toml", faults_);
    if (!toml.has_value()) return nullptr;
    SourceContext context;
    context.config_file = std::string(BAYWARD_SOURCE_DIR) + "/deploy/agent.toml";
    return MakeSource(toml->table(), context, faults_);
  }
  void ExpectRefused(const std::string& text, int line, const std::string& why) {
    EXPECT_EQ(Make(text), nullptr);
    ASSERT_THAT(faults_, SizeIs(1)) << ::testing::PrintToString(faults_);
    EXPECT_THAT(faults_[0], HasSubstr("agent.toml:" + std::to_string(line) + ": "));
    EXPECT_THAT(faults_[0], HasSubstr(why));
  }

  std::vector<std::string> faults_;
};

constexpr char kModbus[] = R"(name = "plc"
kind = "modbus"
host = "192.0.2.1"
poll = "500ms"
[[machine]]
machine = "bay-1"
unit = 3
codebook = "codebooks/gantry_modbus.toml"
)";
constexpr char kRehearsal[] =
    "name = \"past\"\nkind = \"rehearsal\"\npath = \"s.jsonl\"\nmachines = [\"bay-1\", \"bay-2\"]\n";

TEST_F(SourceFactoryTest, ModbusWithItsCodeBook) {
  const auto source = Make(kModbus);
  ASSERT_NE(source, nullptr) << ::testing::PrintToString(faults_);
  EXPECT_EQ(source->name(), "plc");
  EXPECT_FALSE(source->rehearses());
  ASSERT_THAT(source->machines(), SizeIs(1));
  EXPECT_EQ(source->machines()[0].machine, "bay-1");
  EXPECT_EQ(source->machines()[0].book_name, "example-gantry-modbus");
  EXPECT_EQ(source->machines()[0].book_version, "1");
  EXPECT_THAT(source->machines()[0].book_sha256, SizeIs(64));
  EXPECT_EQ(source->machines()[0].config_line, 6);
  source->Stop();
}

TEST_F(SourceFactoryTest, LinesAndRehearsal) {
  EXPECT_NE(Make("name = \"p\"\nkind = \"lines\"\npath = \"-\"\n[[machine]]\nmachine = \"t\"\nas = \"1\"\n"
                 "codebook = \"codebooks/tunnel_lines.toml\"\n"),
            nullptr)
      << ::testing::PrintToString(faults_);
  const auto rehearsal = Make(kRehearsal);
  ASSERT_NE(rehearsal, nullptr);
  EXPECT_TRUE(rehearsal->rehearses());
  EXPECT_THAT(rehearsal->machines(), SizeIs(2));
}

TEST_F(SourceFactoryTest, EveryFaultHasItsLine) {
  ExpectRefused("kind = \"rehearsal\"\npath = \"s\"\nmachines = [\"a\"]\n", 1, "no \"name\"");
  ExpectRefused("name = \"x\"\nkind = \"carrier pigeon\"\n", 2, "\"modbus\", \"lines\", \"rehearsal\"");
  ExpectRefused(std::string(kRehearsal) + "sped = 2\n", 5, "no key \"sped\"");
  ExpectRefused(std::string(kRehearsal) + "speed = 2\n", 5, "begin = \"now\"");
  ExpectRefused("name = \"past\"\nkind = \"rehearsal\"\npath = \"s\"\nmachines = [\"a\", \"a\"]\n", 4,
                "twice");
  EXPECT_NE(Make(std::string(kRehearsal) + "speed = 2\nbegin = \"now\"\n"), nullptr);

  const std::string modbus = kModbus;
  ExpectRefused(modbus + "[[machine]]\nmachine = \"bay-1\"\ncodebook = \"codebooks/gantry_modbus.toml\"\n",
                10, "twice");
  EXPECT_NE(Make(modbus + "[[machine]]\nmachine = \"bay-2\"\ncodebook = \"codebooks/gantry_modbus.toml\"\n"),
            nullptr);
  ExpectRefused("port = 0\n" + modbus, 1, "1 to 65535");
  ExpectRefused(
      "silent_after = \"1s\"\npoll = \"1s\"\nname = \"p\"\nkind = \"modbus\"\nhost = \"h\"\n[[machine]]\n"
      "machine = \"a\"\ncodebook = \"codebooks/gantry_modbus.toml\"\n",
      1, "two polls");
  ExpectRefused("name = \"p\"\nkind = \"modbus\"\nhost = \"h\"\n", 1, "serves no machine");
}

TEST_F(SourceFactoryTest, FaultsOfTheCodeBookAreToldOnceWithItsOwnLine) {
  std::string name = (std::filesystem::temp_directory_path() / "bayward-factory-XXXXXX").string();
  const std::filesystem::path folder = mkdtemp(name.data());
  std::ofstream(folder / "bad.toml")
      << "name = \"b\"\nversion = \"1\"\nsource = \"modbus\"\n[[signal]]\nname = \"s\"\n"
         "table = \"coil\"\naddress = 70000\n";
  const std::string machine = "codebook = \"" + (folder / "bad.toml").string() + "\"\n";
  EXPECT_EQ(Make("name = \"p\"\nkind = \"modbus\"\nhost = \"h\"\n[[machine]]\nmachine = \"a\"\n" + machine +
                 "[[machine]]\nmachine = \"b\"\n" + machine),
            nullptr);
  EXPECT_THAT(faults_, ElementsAre(HasSubstr("bad.toml:7: address")));
  std::filesystem::remove_all(folder);
}

TEST_F(SourceFactoryTest, CodeBookMustFitTheSource) {
  ExpectRefused(
      "name = \"p\"\nkind = \"modbus\"\nhost = \"h\"\n[[machine]]\nmachine = \"a\"\n"
      "codebook = \"codebooks/tunnel_lines.toml\"\n",
      6, "for lines sources");
}

TEST_F(SourceFactoryTest, MachinesThatShareLinesAreToldApart) {
  const std::string head = "name = \"p\"\nkind = \"lines\"\npath = \"-\"\n";
  const auto machine = [](const std::string& keys) {
    return "[[machine]]\ncodebook = \"codebooks/tunnel_lines.toml\"\n" + keys;
  };
  ExpectRefused(head + machine("machine = \"a\"\n") + machine("machine = \"b\"\nas = \"2\"\n"), 4,
                "what they call it");
  ExpectRefused(head + machine("machine = \"a\"\nas = \"2\"\n") + machine("machine = \"b\"\nas = \"2\"\n"),
                11, "second machine");
  EXPECT_NE(Make(head + machine("machine = \"a\"\nas = \"1\"\n") + machine("machine = \"b\"\nas = \"2\"\n")),
            nullptr);
}

TEST_F(SourceFactoryTest, SourcesAreCheckedTogether) {
  std::vector<std::unique_ptr<Source>> sources;
  sources.push_back(Make(kModbus));
  sources.push_back(Make(kRehearsal));
  SourceContext context;
  context.config_file = "agent.toml";
  std::vector<std::string> faults;
  CheckSources(sources, context, faults);
  EXPECT_THAT(
      faults,
      ElementsAre("agent.toml:4: machine \"bay-1\" is served by source \"plc\" and by \"past\": keep one"));

  sources.pop_back();
  sources.push_back(Make("name = \"plc\"\nkind = \"rehearsal\"\npath = \"s\"\nmachines = [\"bay-7\"]\n"));
  faults.clear();
  CheckSources(sources, context, faults);
  EXPECT_THAT(faults, ElementsAre(HasSubstr("two sources are named \"plc\"")));
}

}  // namespace
}  // namespace bayward
