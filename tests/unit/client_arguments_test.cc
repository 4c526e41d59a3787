#include "server/cli/arguments.h"

#include <cstdlib>
#include <sstream>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward::cli {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

struct Parsed {
  std::variant<Arguments, int> result;
  std::string out, err;

  const Arguments& arguments() const { return std::get<Arguments>(result); }
  int code() const { return std::holds_alternative<int>(result) ? std::get<int>(result) : -1; }
};

Parsed Parse(std::vector<const char*> words) {
  words.insert(words.begin(), "bayward");
  std::ostringstream out, err;
  auto result = ParseArguments(static_cast<int>(words.size()), words.data(), out, err);
  return {std::move(result), out.str(), err.str()};
}

class ClientArgumentsTest : public ::testing::Test {
 protected:
  ClientArgumentsTest() { unsetenv("BAYWARD_SERVER"); }
  ~ClientArgumentsTest() override { unsetenv("BAYWARD_SERVER"); }
};

TEST_F(ClientArgumentsTest, TheServerIsAFlagElseTheEnvironmentElseTheDefault) {
  EXPECT_EQ(Parse({"live"}).arguments().server, "127.0.0.1:7442");
  setenv("BAYWARD_SERVER", "fleet.example:1", 1);
  EXPECT_EQ(Parse({"live"}).arguments().server, "fleet.example:1");
  EXPECT_EQ(Parse({"--server", "other.example:2", "live"}).arguments().server, "other.example:2");
  EXPECT_EQ(Parse({"live", "--server", "other.example:2"}).arguments().server, "other.example:2");
}

TEST_F(ClientArgumentsTest, AFigureTakesScopeWindowAndGrouping) {
  const Parsed parsed =
      Parse({"availability", "--site", "alder",        "--site",      "birch",
             "--region",     "north",  "--machine",    "alder/bay-1", "--kind",
             "gantry",       "--from", "2026-07-01",   "--to",        "2026-08-01T06:00:00Z",
             "--by",         "kind",   "--confidence", "0.95",        "--json"});
  ASSERT_EQ(parsed.code(), -1) << parsed.err;
  const Arguments& arguments = parsed.arguments();
  EXPECT_EQ(arguments.verb, Verb::kAvailability);
  EXPECT_THAT(arguments.scope.sites(), ElementsAre("alder", "birch"));
  EXPECT_THAT(arguments.scope.regions(), ElementsAre("north"));
  EXPECT_THAT(arguments.scope.machines(), ElementsAre("alder/bay-1"));
  EXPECT_THAT(arguments.scope.kinds(), ElementsAre("gantry"));
  EXPECT_EQ(arguments.window.from(), "2026-07-01");
  EXPECT_EQ(arguments.window.to(), "2026-08-01T06:00:00Z");
  EXPECT_EQ(arguments.by, v1::GROUPING_KIND);
  EXPECT_DOUBLE_EQ(arguments.confidence, 0.95);
  EXPECT_TRUE(arguments.json);
}

TEST_F(ClientArgumentsTest, RankingAndOutagesHaveTheirOwn) {
  const Parsed ranking = Parse({"ranking", "--rank-by", "present", "--rows", "5"});
  ASSERT_EQ(ranking.code(), -1) << ranking.err;
  EXPECT_EQ(ranking.arguments().rank_by, v1::RANK_BY_PRESENT);
  EXPECT_EQ(ranking.arguments().rows, 5U);
  EXPECT_EQ(ranking.arguments().by, v1::GROUPING_UNSPECIFIED);
  const Parsed outages = Parse({"outages", "--class", "air_supply.pressure_low"});
  ASSERT_EQ(outages.code(), -1) << outages.err;
  EXPECT_THAT(outages.arguments().classes, ElementsAre(v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW));
}

TEST_F(ClientArgumentsTest, ARecordNamesItsMachineAndInstant) {
  const Parsed record = Parse({"record", "alder/bay-1", "--at", "2026-07-01T06:00:00Z"});
  ASSERT_EQ(record.code(), -1) << record.err;
  EXPECT_EQ(record.arguments().verb, Verb::kRecord);
  EXPECT_EQ(record.arguments().machine, "alder/bay-1");
  EXPECT_EQ(record.arguments().at, "2026-07-01T06:00:00Z");
  const Parsed settle = Parse({"settle", "alder/bay-1", "--from", "2026-07-01T06:00:00Z", "--to", "2026-07-01T07:00:00Z",
                               "--as", "down", "--signed-by", "shift lead", "--reason", "seen shut"});
  ASSERT_EQ(settle.code(), -1) << settle.err;
  EXPECT_EQ(settle.arguments().settle_as, "down");
  EXPECT_EQ(settle.arguments().signed_by, "shift lead");
  EXPECT_EQ(settle.arguments().window.to(), "2026-07-01T07:00:00Z");
  const Parsed release = Parse({"release", "12", "--signed-by", "claims desk", "--reason", "closed"});
  ASSERT_EQ(release.code(), -1) << release.err;
  EXPECT_EQ(release.arguments().hold, 12U);
}

TEST_F(ClientArgumentsTest, AReportNamesItsPeriodAndFormat) {
  const Parsed report = Parse({"report", "--period", "2026-08", "--region", "north", "--format", "html", "--out", "n.html"});
  ASSERT_EQ(report.code(), -1) << report.err;
  EXPECT_EQ(report.arguments().verb, Verb::kReport);
  EXPECT_EQ(report.arguments().period, "2026-08");
  EXPECT_EQ(report.arguments().format, "html");
  EXPECT_EQ(report.arguments().out_file, "n.html");
}

TEST_F(ClientArgumentsTest, FleetVerbsTakeFiles) {
  const Parsed apply = Parse({"fleet", "apply", "north.toml", "south.toml", "--yes", "--allow-drop"});
  ASSERT_EQ(apply.code(), -1) << apply.err;
  EXPECT_EQ(apply.arguments().verb, Verb::kFleetApply);
  EXPECT_THAT(apply.arguments().paths, ElementsAre("north.toml", "south.toml"));
  EXPECT_TRUE(apply.arguments().yes);
  EXPECT_TRUE(apply.arguments().allow_drop);
  EXPECT_EQ(Parse({"fleet", "check", "x"}).arguments().verb, Verb::kFleetCheck);
  EXPECT_EQ(Parse({"fleet", "export"}).arguments().verb, Verb::kFleetExport);
}

TEST_F(ClientArgumentsTest, EveryVerbHasHelpWithExamples) {
  for (const char* verb :
       {"sites",      "machines", "live",    "availability", "ranking",     "outages",    "compare", "trend",  "restoration",
        "repeats",    "losses",   "service", "drift",        "silent",      "forecast",   "alarms",  "report", "reliability",
        "cumulative", "outage",   "record",  "hold",         "release",     "holds",      "settle",  "fleet",  "rejected",
        "parked",     "doctor"}) {
    const Parsed parsed = Parse({verb, "--help"});
    EXPECT_EQ(parsed.code(), 0) << verb;
    EXPECT_THAT(parsed.out, HasSubstr("Examples")) << verb;
    EXPECT_THAT(parsed.out, HasSubstr(std::string("bayward ") + verb)) << verb;
  }
  for (const char* verb : {"check", "apply", "export"}) {
    const Parsed parsed = Parse({"fleet", verb, "--help"});
    EXPECT_EQ(parsed.code(), 0) << verb;
    EXPECT_THAT(parsed.out, HasSubstr(std::string("bayward fleet ") + verb)) << verb;
  }
  const Parsed parsed = Parse({"--help"});
  EXPECT_EQ(parsed.code(), 0);
  EXPECT_THAT(parsed.out, HasSubstr("Exit codes"));
  EXPECT_THAT(Parse({"--version"}).out, HasSubstr("bayward " BAYWARD_VERSION));
}

TEST_F(ClientArgumentsTest, WhatCannotBeUsedIsRefusedInOneLine) {
  const std::vector<std::pair<std::vector<const char*>, const char*>> cases = {
      {{}, "expected a command, such as \"bayward live\""},
      {{"lives"}, "lives"},
      {{"fleet", "aply"}, "aply"},
      {{"live", "--sit", "alder"}, "--sit"},
      {{"availability", "--by", "town"}, "--by"},
      {{"ranking", "--rank-by", "money"}, "--rank-by"},
      {{"ranking", "--rows", "0"}, "--rows"},
      {{"outages", "--rows", "10001"}, "--rows"},
      {{"availability", "--confidence", "much"}, "--confidence"},
      {{"outages", "--class", "air_supply.presure_low"}, "nearest are air_supply.pressure_low"},
      {{"fleet"}, "expected check, apply or export after \"fleet\""},
      {{"fleet", "apply"}, "files is required"},
      {{"fleet", "check", "x", "--yes"}, "--yes"},
      {{"live", "--server", "nowhere"}, "expected HOST:PORT, found \"nowhere\""},
      {{"live", "--server", ":7442"}, "expected HOST:PORT"},
      {{"rejected", "--machine", "alder/bay-1"}, "--machine"},
      {{"live", "ranking"}, "ranking"},
      {{"record"}, "machine is required"},
      {{"report"}, "--period is required"},
      {{"report", "--period", "2026-08", "--format", "pdf"}, "--format"},
      {{"settle", "alder/bay-1", "--from", "a", "--to", "b", "--as", "idle", "--signed-by", "x", "--reason", "y"}, "--as"},
      {{"hold", "alder/bay-1", "--from", "a", "--to", "b", "--reason", "y"}, "--signed-by is required"},
      {{"release", "first", "--signed-by", "x", "--reason", "y"}, "hold"},
  };
  for (const auto& [words, what] : cases) {
    const Parsed parsed = Parse(words);
    EXPECT_EQ(parsed.code(), kExitUsageFault) << what;
    EXPECT_THAT(parsed.err, HasSubstr(what));
    EXPECT_EQ(std::count(parsed.err.begin(), parsed.err.end(), '\n'), 1) << parsed.err;
    EXPECT_EQ(parsed.out, "");
  }
}

}  // namespace
}  // namespace bayward::cli
