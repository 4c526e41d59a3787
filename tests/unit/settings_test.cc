#include "proto/common/settings.h"

#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>
#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

const std::vector<Setting>& Declared() {
  static const std::vector<Setting> declared = {
      {.key = "uplink.server", .fallback = "localhost:1", .help = "where to deliver"},
      {.key = "uplink.retry", .kind = SettingKind::kDuration, .fallback = "5s", .min = "1s", .max = "1h"},
      {.key = "uplink.plaintext", .kind = SettingKind::kFlag, .fallback = "false"},
      {.key = "spool.bytes_max", .kind = SettingKind::kBytes, .fallback = "64MiB", .min = "1MiB"},
      {.key = "figures.level", .kind = SettingKind::kNumber, .fallback = "0.9", .min = "0.5", .max = "0.999"},
      {.key = "writers", .kind = SettingKind::kInteger, .fallback = "2", .min = "1", .max = "64"},
      {.key = "log.level", .kind = SettingKind::kChoice, .fallback = "info", .choices = {"debug", "info"}},
      {.key = "hosts", .kind = SettingKind::kTexts},
      {.key = "store.password", .help = "of the database", .secret = true},
  };
  return declared;
}

Program TestProgram() {
  return {.name = "washer",
          .about = "Says how machines are.",
          .examples = "  washer run --config a.toml",
          .commands = {{"run", "Run until told to stop"}},
          .many_config_files = true};
}

class SettingsTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(::testing::TempDir()) /
              ::testing::UnitTest::GetInstance()->current_test_info()->name();
    std::filesystem::create_directories(folder_);
    file_ = folder_ / "a.toml";
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  Settings Read(const std::string& toml, const CommandLine& line = {},
                const std::map<std::string, std::string>& variables = {},
                const std::vector<Setting>& declared = Declared()) {
    std::ofstream(file_) << toml;
    faults_.clear();
    return Settings::Read(declared, line, file_, {"source"}, faults_, [&variables](const char* name) {
      const auto found = variables.find(name);
      return found != variables.end() ? found->second.c_str() : nullptr;
    });
  }
  std::string At(int line) const { return file_.string() + ":" + std::to_string(line); }

  std::filesystem::path folder_;
  std::filesystem::path file_;
  std::vector<std::string> faults_;
};

TEST_F(SettingsTest, DefaultsHoldWhereNobodySetsAnything) {
  const Settings settings = Read("");
  EXPECT_THAT(faults_, IsEmpty());
  EXPECT_EQ(settings.Text("uplink.server"), "localhost:1");
  EXPECT_EQ(settings.Duration("uplink.retry"), absl::Seconds(5));
  EXPECT_FALSE(settings.Flag("uplink.plaintext"));
  EXPECT_EQ(settings.Bytes("spool.bytes_max"), 64u << 20);
  EXPECT_EQ(settings.Number("figures.level"), 0.9);
  EXPECT_EQ(settings.Integer("writers"), 2);
  EXPECT_THAT(settings.Texts("hosts"), IsEmpty());
  EXPECT_EQ(settings.OriginOf("writers"), "default");
  EXPECT_FALSE(settings.IsSet("writers"));
}

TEST_F(SettingsTest, FileGivesEveryKind) {
  const Settings settings = Read(
      "writers = 3\nhosts = [\"a\", \"b,c\"]\n[uplink]\nserver = \"s:2\"\nretry = \"1m30s\"\nplaintext = "
      "true\n"
      "[spool]\nbytes_max = 2097152\n[figures]\nlevel = 0.5\n[log]\nlevel = \"debug\"\n");
  EXPECT_THAT(faults_, IsEmpty());
  EXPECT_EQ(settings.Integer("writers"), 3);
  EXPECT_THAT(settings.Texts("hosts"), ElementsAre("a", "b,c"));
  EXPECT_EQ(settings.Text("uplink.server"), "s:2");
  EXPECT_EQ(settings.Duration("uplink.retry"), absl::Seconds(90));
  EXPECT_TRUE(settings.Flag("uplink.plaintext"));
  EXPECT_EQ(settings.Bytes("spool.bytes_max"), 2u << 20);
  EXPECT_EQ(settings.Number("figures.level"), 0.5);
  EXPECT_EQ(settings.Text("log.level"), "debug");
  EXPECT_EQ(settings.OriginOf("uplink.server"), At(4));
}

TEST_F(SettingsTest, FlagGoesBeforeEnvironmentBeforeFile) {
  CommandLine line;
  line.flags["writers"] = "7";
  const Settings settings =
      Read("writers = 5\n[uplink]\nretry = \"9s\"\nserver = \"s:3\"\n", line,
           {{"BAYWARD_WRITERS", "6"}, {"BAYWARD_UPLINK_RETRY", "30m"}, {"BAYWARD_HOSTS", "x, y"}});
  EXPECT_THAT(faults_, IsEmpty());
  EXPECT_EQ(settings.Integer("writers"), 7);
  EXPECT_EQ(settings.OriginOf("writers"), "--writers");
  EXPECT_EQ(settings.Duration("uplink.retry"), absl::Minutes(30));
  EXPECT_EQ(settings.OriginOf("uplink.retry"), "BAYWARD_UPLINK_RETRY");
  EXPECT_THAT(settings.Texts("hosts"), ElementsAre("x", "y"));
  EXPECT_EQ(settings.Text("uplink.server"), "s:3");
  EXPECT_EQ(settings.OriginOf("uplink.server"), At(4));
}

TEST_F(SettingsTest, EveryFaultIsToldWithFileAndLine) {
  Read(
      "writers = 0\nhosts = \"a\"\n[uplink]\nserver = 7\nretry = \"2h\"\nplaintext = \"yes\"\n[spool]\n"
      "bytes_max = \"64MB\"\n[log]\nlevel = \"loud\"\n[figures]\nlevel = 1.0\n");
  EXPECT_THAT(faults_, ::testing::UnorderedElementsAre(
                           At(1) + ": writers: expected a whole number, from 1 to 64, found \"0\"",
                           AllOf(HasSubstr(At(2)), HasSubstr("texts")),
                           AllOf(HasSubstr(At(4)), HasSubstr("text, found 7")),
                           AllOf(HasSubstr(At(5)), HasSubstr("from 1s to 1h")),
                           AllOf(HasSubstr(At(6)), HasSubstr("true or false")),
                           AllOf(HasSubstr(At(8)), HasSubstr("\"64MiB\"")),
                           AllOf(HasSubstr(At(10)), HasSubstr("one of debug, info")),
                           AllOf(HasSubstr(At(12)), HasSubstr("from 0.5 to 0.999"))));
}

TEST_F(SettingsTest, UnknownKeyNamesTheNearest) {
  Read("[uplnk]\nserver = \"s:1\"\n[spool]\nbyte_max = \"2MiB\"\n");
  EXPECT_THAT(faults_, ::testing::UnorderedElementsAre(
                           At(2) + ": no setting is called uplnk.server; the nearest is uplink.server",
                           At(4) + ": no setting is called spool.byte_max; the nearest is spool.bytes_max"));
}

TEST_F(SettingsTest, TablesOfTheCallerAreLeftAlone) {
  Read("[[source]]\nname = \"plc\"\nanything = 1\n");
  EXPECT_THAT(faults_, IsEmpty());
  Read("[[sauce]]\nname = \"plc\"\n");
  EXPECT_THAT(faults_, ElementsAre(HasSubstr(":1: no setting is called sauce")));
}

TEST_F(SettingsTest, BrokenTomlAndMissingFileAreFaults) {
  Read("writers = 3\nwriters 4\n");
  EXPECT_THAT(faults_, ElementsAre(HasSubstr(At(2) + ": not TOML")));
  faults_.clear();
  Settings::Read(Declared(), {}, folder_ / "none.toml", {}, faults_);
  EXPECT_THAT(faults_, ElementsAre(HasSubstr("none.toml: ")));
}

TEST_F(SettingsTest, RequiredSettingMustBeThere) {
  const std::vector<Setting> declared = {{.key = "agent.name", .required = true}};
  Read("", {}, {}, declared);
  EXPECT_THAT(faults_,
              ElementsAre(AllOf(HasSubstr("agent.name is missing"), HasSubstr("BAYWARD_AGENT_NAME"))));
  Read("[agent]\nname = 4\n", {}, {}, declared);
  EXPECT_THAT(faults_, ElementsAre(HasSubstr("found 4")));
  EXPECT_EQ(Read("", {}, {{"BAYWARD_AGENT_NAME", "north"}}, declared).Text("agent.name"), "north");
  EXPECT_THAT(faults_, IsEmpty());
}

TEST_F(SettingsTest, SecretsAreNeverShown) {
  const Settings settings = Read("", {}, {{"BAYWARD_STORE_PASSWORD", "hunter"}});
  EXPECT_EQ(settings.Text("store.password"), "hunter");
  EXPECT_THAT(settings.Print(), AllOf(HasSubstr("store.password = \"(secret)\""),
                                      HasSubstr("# BAYWARD_STORE_PASSWORD"), Not(HasSubstr("hunter"))));
  Read("[store]\npassword = 4711\n");
  EXPECT_THAT(faults_, ElementsAre(Not(HasSubstr("4711"))));
}

TEST_F(SettingsTest, PrintedConfigurationReadsBackTheSame) {
  const std::string written = Read("writers = 3\nhosts = [\"a\\\"b\"]\n[uplink]\nretry = \"90s\"\n").Print();
  const Settings again = Read(written);
  EXPECT_THAT(faults_, IsEmpty()) << written;
  EXPECT_EQ(again.Integer("writers"), 3);
  EXPECT_THAT(again.Texts("hosts"), ElementsAre("a\"b"));
  EXPECT_EQ(again.Duration("uplink.retry"), absl::Seconds(90));
  EXPECT_THAT(written, HasSubstr("spool.bytes_max = \"64MiB\""));
}

class CommandLineTest : public ::testing::Test {
 protected:
  std::variant<CommandLine, int> Parse(std::vector<const char*> arguments, Program program = TestProgram()) {
    arguments.insert(arguments.begin(), "washer");
    out_.str("");
    err_.str("");
    return ParseCommandLine(program, Declared(), static_cast<int>(arguments.size()), arguments.data(), out_,
                            err_);
  }
  std::ostringstream out_;
  std::ostringstream err_;
};

TEST_F(CommandLineTest, CommandFilesAndFlags) {
  const auto parsed = Parse({"run", "--config", "a.toml", "--config", "b.toml", "--spool-bytes-max", "2MiB",
                             "--uplink-plaintext", "--check-config"});
  ASSERT_TRUE(std::holds_alternative<CommandLine>(parsed)) << err_.str();
  const CommandLine& line = std::get<CommandLine>(parsed);
  EXPECT_EQ(line.command, "run");
  EXPECT_THAT(line.config_files, ElementsAre("a.toml", "b.toml"));
  EXPECT_TRUE(line.check_config);
  EXPECT_FALSE(line.print_config);
  EXPECT_THAT(line.flags, ElementsAre(std::pair<const std::string, std::string>("spool.bytes_max", "2MiB"),
                                      std::pair<const std::string, std::string>("uplink.plaintext", "true")));
}

TEST_F(CommandLineTest, WhatCannotBeUsedIsRefused) {
  EXPECT_EQ(std::get<int>(Parse({"run", "--conifg", "a.toml"})), kExitUsage);
  EXPECT_THAT(err_.str(), AllOf(HasSubstr("--conifg"), HasSubstr("washer --help")));
  EXPECT_EQ(std::get<int>(Parse({"--config", "a.toml"})), kExitUsage);
  EXPECT_THAT(err_.str(), HasSubstr("washer run"));
  EXPECT_EQ(std::get<int>(Parse({"run", "--store-password", "x"})), kExitUsage);
  EXPECT_EQ(std::get<int>(Parse({"run", "--config"})), kExitUsage);
  Program one = TestProgram();
  one.many_config_files = false;
  EXPECT_EQ(std::get<int>(Parse({"run", "--config", "a", "--config", "b"}, one)), kExitUsage);
  EXPECT_TRUE(std::holds_alternative<CommandLine>(Parse({"run", "--config", "a"}, one)));
}

TEST_F(CommandLineTest, HelpAndVersionGoToStandardOutput) {
  EXPECT_EQ(std::get<int>(Parse({"--version"})), 0);
  EXPECT_EQ(out_.str(), "washer " BAYWARD_VERSION "\n");
  EXPECT_EQ(std::get<int>(Parse({"--help"})), 0);
  EXPECT_THAT(out_.str(),
              AllOf(HasSubstr("--uplink-server"), HasSubstr("washer run --config a.toml"),
                    HasSubstr("where to deliver (default localhost:1)"), Not(HasSubstr("store-password"))));
  EXPECT_THAT(err_.str(), IsEmpty());
}

TEST_F(CommandLineTest, ConfigRequestsAreAnswered) {
  CommandLine line;
  EXPECT_EQ(AnswerConfigRequests(line, {}, {}, out_, err_), std::nullopt);
  EXPECT_EQ(AnswerConfigRequests(line, {}, {"a.toml:1: bad", "a.toml:2: bad"}, out_, err_), kExitBadConfig);
  EXPECT_EQ(err_.str(), "a.toml:1: bad\na.toml:2: bad\n");
  line.check_config = true;
  EXPECT_EQ(AnswerConfigRequests(line, {}, {}, out_, err_), 0);
  EXPECT_EQ(AnswerConfigRequests(line, {}, {"a.toml:1: bad"}, out_, err_), kExitBadConfig);
  line = {};
  line.print_config = true;
  std::vector<std::string> faults;
  const std::vector<Settings> settings = {
      Settings::Read(Declared(), {}, "", {}, faults, [](const char*) { return nullptr; })};
  out_.str("");
  EXPECT_EQ(AnswerConfigRequests(line, settings, {}, out_, err_), 0);
  EXPECT_THAT(out_.str(), HasSubstr("writers = 2"));
}

}  // namespace
}  // namespace bayward
