// What a declaration may say, and what it is told where it must not.
#include <algorithm>
#include <string>
#include <vector>

#include "absl/strings/str_split.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/registry/parse.h"
#include "tests/support/declaration_text.h"

namespace bayward::testing {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::StartsWith;

std::vector<std::string> FaultsOf(const std::string& text) {
  const auto declaration = ParseText(text);
  if (declaration.ok()) return {};
  EXPECT_EQ(declaration.status().code(), absl::StatusCode::kInvalidArgument);
  return absl::StrSplit(std::string(Message(declaration.status())), '\n');
}

std::string LineMark(const std::string& text, std::string_view at) {
  const auto end = text.begin() + static_cast<std::ptrdiff_t>(text.find(at));
  return "fleet.toml:" + std::to_string(1 + std::count(text.begin(), end, '\n')) + ": ";
}

TEST(RegistryParseTest, ReadsWhatAFileSays) {
  const Declaration fleet = Declared(std::string(kDeclaration));
  EXPECT_TRUE(fleet.demonstration);
  ASSERT_EQ(fleet.sites.size(), 1u);
  const DeclaredSite& site = fleet.sites[0];
  EXPECT_EQ(site.key, "fenwick-lane");
  EXPECT_EQ(site.region, "north");
  EXPECT_EQ(site.latitude, 61.5);
  EXPECT_EQ(site.where, "fleet.toml:4");
  EXPECT_THAT(site.agents, ElementsAre("fenwick-box", "spare-box"));
  EXPECT_THAT(site.holidays, ElementsAre(absl::CivilDay(2026, 12, 6), absl::CivilDay(2026, 12, 25)));
  EXPECT_THAT(site.zones, ElementsAre(DeclaredZone{absl::CivilDay::min(), "Europe/Helsinki"},
                                      DeclaredZone{absl::CivilDay(2027, 1, 1), "Europe/Tallinn"}));
  // Wash, wax and dry.
  EXPECT_THAT(site.programmes, ElementsAre(DeclaredProgramme{"full", {1, 4, 5}}, DeclaredProgramme{"short", {1}}));
  EXPECT_THAT(site.prices, ElementsAre(DeclaredPrice{"full", absl::CivilDay(2026, 1, 1), 149000},
                                       DeclaredPrice{"full", absl::CivilDay(2026, 7, 1), 155000}));
  EXPECT_THAT(site.targets, ElementsAre(DeclaredTarget{absl::CivilDay(2026, 1, 1), 0.97}));
  EXPECT_THAT(site.closures,
              ElementsAre(DeclaredClosure{
                  absl::CivilSecond(2026, 10, 3, 8), absl::CivilSecond(2026, 10, 3, 12), "yearly inspection",
                  false, absl::FromCivil(absl::CivilHour(2026, 9, 20, 10), absl::UTCTimeZone())}));
  ASSERT_EQ(site.machines.size(), 2u);
  EXPECT_EQ(site.machines[0].key, "bay-1");
  EXPECT_THAT(site.machines[0].depends_on, ElementsAre("reclaim"));
  EXPECT_EQ(site.machines[0].retired_at, absl::CivilDay::max());
  EXPECT_EQ(site.machines[0].hours.size(), 1u);
  EXPECT_THAT(site.machines[1].hours, IsEmpty());
}

TEST(RegistryParseTest, HoursHoldUntilTheNextBegin) {
  const std::vector<WeekHours> hours = Declared(std::string(kDeclaration)).sites[0].hours;
  ASSERT_EQ(hours.size(), 2u);
  EXPECT_EQ(hours[0].valid_to, absl::CivilDay(2026, 6, 1));
  EXPECT_EQ(hours[1].valid_to, absl::CivilDay(2026, 9, 1));
  const auto day = [&](std::size_t week, DayKind kind) {
    return hours[week].days[static_cast<std::size_t>(kind)];
  };
  EXPECT_THAT(day(0, DayKind::kSaturday), ElementsAre(DayHours{8 * 60, 25 * 60 + 30}));
  EXPECT_THAT(day(0, DayKind::kFriday), ElementsAre(DayHours{360, 780}, DayHours{840, 1320}));
  EXPECT_THAT(day(0, DayKind::kHoliday), IsEmpty());
  EXPECT_THAT(day(1, DayKind::kMonday), ElementsAre(DayHours{0, 1440}));
}

TEST(RegistryParseTest, DatesMayStandWithoutQuotes) {
  const Declaration fleet = Declared(With(With("valid_to = \"2026-09-01\"", "valid_to = 2026-09-01"),
                                          "\"2026-10-03T08:00\"", "2026-10-03T08:00:00"));
  EXPECT_EQ(fleet.sites[0].hours[1].valid_to, absl::CivilDay(2026, 9, 1));
  EXPECT_EQ(fleet.sites[0].closures[0].from, absl::CivilSecond(2026, 10, 3, 8));
}

TEST(RegistryParseTest, AClosureMayBeOpenEnded) {
  const Declaration fleet = Declared(With("to = \"2026-10-03T12:00\"\n", ""));
  EXPECT_EQ(fleet.sites[0].closures[0].to, absl::CivilSecond::max());
}

// One thing wrong, and beside it the nearest thing that is right.
struct Case {
  const char* from;
  const char* bad;
  const char* expected;
  const char* good;
};

class RegistryFaultTest : public ::testing::TestWithParam<Case> {};

TEST_P(RegistryFaultTest, IsToldWithItsLineAndItsNeighbourIsTaken) {
  const Case& c = GetParam();
  const std::string bad = With(c.from, c.bad);
  // The line that differs first from the good declaration.
  const auto differs = std::mismatch(bad.begin(), bad.end(), kDeclaration.begin(), kDeclaration.end()).first;
  const std::string mark = "fleet.toml:" + std::to_string(1 + std::count(bad.begin(), differs, '\n')) + ": ";
  EXPECT_THAT(FaultsOf(bad), ElementsAre(::testing::AllOf(StartsWith(mark), HasSubstr(c.expected))));
  EXPECT_THAT(FaultsOf(With(c.from, c.good)), IsEmpty());
}

INSTANTIATE_TEST_SUITE_P(
    Keys, RegistryFaultTest,
    ::testing::Values(
        Case{"key = \"fenwick-lane\"", "key = \"Fenwick_Lane\"",
             "expected 1 to 40 of the characters a-z, 0-9 and -", "key = \"0-9\""},
        Case{"key = \"spare-box\"", "key = \"aaaaaaaaaabbbbbbbbbbccccccccccddddddddddx\"", "expected 1 to 40",
             "key = \"aaaaaaaaaabbbbbbbbbbccccccccccdddddddddd\""},
        Case{"region = \"north\"", "regoin = \"north\"\nregion = \"north\"", "(did you mean \"region\"?)",
             "region = \"north-west\""},
        Case{"demonstration = true", "demonstraton = true", "(did you mean \"demonstration\"?)",
             "demonstration = false"},
        Case{"demonstration = true", "demonstration = \"yes\"", "expected true or false, found \"yes\"",
             "demonstration = false"},
        Case{"name = \"Fenwick Lane\"", "name = \"Fenwick\\u0000Lane\"", "without control characters",
             "name = \"Fenwick \\u00c4 Lane\""},
        Case{"kind = \"gantry\"", "kind = \"Gantry 2\"", "such as \"gantry\"", "kind = \"spray_gantry\""},
        Case{"attendance = \"unattended\"", "attendance = \"sometimes\"",
             "expected \"attended\" or \"unattended\"", "attendance = \"attended\""},
        Case{"currency = \"EUR\"", "currency = \"euro\"", "ISO 4217", "currency = \"SEK\""},
        Case{"latitude = 61.5", "latitude = 91", "a number from -90 to 90, found 91", "latitude = -90"},
        Case{"latitude = 61.5", "latitude = nan", "a number from -90 to 90", "latitude = 60"},
        Case{"longitude = 23.75", "longitude = -180.5", "a number from -180 to 180", "longitude = 180"},
        Case{"longitude = 23.75", "longitude = \"23.75\"", "found \"23.75\"", "longitude = 23.8"},
        Case{"time_zone = \"Europe/Helsinki\"", "time_zone = \"Europe/Helsinky\"",
             "IANA time zone database such as \"Europe/Helsinki\", found \"Europe/Helsinky\"",
             "time_zone = \"Australia/Lord_Howe\""},
        Case{"time_zone = \"Europe/Helsinki\"", "time_zone = \"/etc/localtime\"", "IANA",
             "time_zone = \"UTC\""},
        Case{"name = \"Europe/Tallinn\"", "name = \"localtime\"", "IANA", "name = \"Etc/GMT+3\""}));

INSTANTIATE_TEST_SUITE_P(
    Dates, RegistryFaultTest,
    ::testing::Values(
        Case{"holidays = [\"2026-12-25\"", "holidays = [\"2026-02-29\"", "a date such as \"2026-10-03\"",
             "holidays = [\"2028-02-29\""},
        Case{"holidays = [\"2026-12-25\"", "holidays = [\"2026-12-06\"", "2026-12-06 is stated twice",
             "holidays = [\"2026-12-07\""},
        Case{"in_service_from = \"2020-05-01\"", "in_service_from = \"01.05.2020\"", "a date such as",
             "in_service_from = \"1970-01-01\""},
        Case{"in_service_from = \"2020-05-01\"", "in_service_from = \"1969-12-31\"", "from 1970 to 2199",
             "in_service_from = \"2199-12-31\""},
        Case{"in_service_from = \"2020-05-01\"",
             "in_service_from = \"2020-05-01\"\nretired_at = \"2020-05-01\"",
             "must come after in_service_from",
             "in_service_from = \"2020-05-01\"\nretired_at = \"2020-05-02\""},
        Case{"to = \"2026-10-03T12:00\"", "to = \"2026-10-03T08:00\"", "must end after it begins",
             "to = \"2026-10-03T08:01\""},
        Case{"to = \"2026-10-03T12:00\"", "to = \"2026-10-03T24:00\"", "a date and time at the site",
             "to = \"2026-10-03T23:59:59\""},
        Case{"recorded_at = \"2026-09-20T10:00Z\"", "recorded_at = \"2026-09-20T10:00\"",
             "an instant such as", "recorded_at = \"2026-09-20T10:00+02:00\""},
        // Announced up to the instant at which it begins: 08:00 in Helsinki is 05:00 UTC.
        Case{"announced = true", "announced = false",
             "announced = false, but it was recorded at 2026-09-20T10:00Z", "announced = true"},
        Case{"approved = false\nrecorded_at = \"2026-09-20T10:00Z\"",
             "approved = 0\nrecorded_at = \"2026-10-03T05:00Z\"", "expected true or false, found 0",
             "approved = true\nrecorded_at = \"2026-10-03T05:00Z\""},
        Case{"price = \"15.50\"\nvalid_from = \"2026-07-01\"",
             "price = \"15.50\"\nvalid_from = \"2026-01-01\"",
             "the price of \"full\" at fenwick-lane from 2026-01-01 is stated twice, also in line",
             "price = \"15.50\"\nvalid_from = \"2026-01-02\""},
        Case{"valid_from = \"2027-01-01\"", "valid_from = \"someday\"", "a date such as",
             "valid_from = \"2027-01-02\""}));

INSTANTIATE_TEST_SUITE_P(
    Numbers, RegistryFaultTest,
    ::testing::Values(
        Case{"availability = 0.97", "availability = 1.01", "a number from 0 to 1, found 1.01",
             "availability = 1"},
        Case{"availability = 0.97", "availability = 97", "a number from 0 to 1", "availability = 0.0"},
        Case{"price = \"14.90\"", "price = \"-1\"", "a price as text such as \"14.90\"", "price = \"0\""},
        Case{"price = \"14.90\"", "price = \"14,90\"", "a price as text", "price = \"14.9\""},
        Case{"price = \"14.90\"", "price = \"1.23456\"", "at most 4 decimals", "price = \"1.2345\""},
        Case{"price = \"14.90\"", "price = 14.9", "a price as text", "price = \"14\""}));

INSTANTIATE_TEST_SUITE_P(
    Hours, RegistryFaultTest,
    ::testing::Values(
        Case{"mon = [\"07:00-22:00\"]", "mon = [\"7-22\"]", "hours such as \"07:00-22:00\"",
             "mon = [\"07:00-24:00\"]"},
        Case{"mon = [\"07:00-22:00\"]", "mon = [\"07:00-07:00\"]", "\"00:00-24:00\" (all day)",
             "mon = [\"08:00-07:00\"]"},
        Case{"mon = [\"07:00-22:00\"]", "mon = \"07:00-22:00\"", "an array, of hours such as", "mon = []"},
        Case{"\"06:00-13:00\", \"14:00-22:00\"", "\"06:00-13:00\", \"12:59-22:00\"",
             "on fri, 06:00-13:00 and 12:59-22:00 overlap", "\"06:00-13:00\", \"13:00-22:00\""},
        // Saturday lasts until 01:30 on Sunday.
        Case{"sun = [\"09:00-20:00\"]", "sun = [\"01:29-20:00\"]", "08:00-01:30 of sat lasts into sun",
             "sun = [\"01:30-20:00\"]"},
        Case{"holiday = []", "holiday = [\"20:00-02:00\", \"01:00-21:00\"]",
             "on holiday, 01:00-21:00 and 20:00-02:00 overlap",
             "holiday = [\"20:00-02:00\", \"02:00-20:00\"]"},
        Case{"valid_to = \"2026-09-01\"", "valid_to = \"2026-06-01\"",
             "must come after valid_from 2026-06-01", "valid_to = \"2026-06-02\""},
        Case{"[[site.hours]]\nvalid_from = \"2026-06-01\"", "[[site.hours]]\nvalid_from = \"2026-01-01\"",
             "hours of fenwick-lane from 2026-01-01 overlap those from 2026-01-01",
             "[[site.hours]]\nvalid_from = \"2026-01-02\""}));

INSTANTIATE_TEST_SUITE_P(
    Programmes, RegistryFaultTest,
    ::testing::Values(
        Case{"needs = [\"wash\", \"dry\", \"wax\"]", "needs = [\"wash\", \"dri\"]",
             "such as \"wash\", \"high_pressure\" or \"dry\", found \"dri\" (did you mean \"dry\"?)",
             "needs = [\"wash\", \"foam\"]"},
        Case{"needs = [\"wash\", \"dry\", \"wax\"]", "needs = [\"high pressure\"]",
             "found \"high pressure\" (did you mean \"high_pressure\"?)", "needs = [\"high_pressure\"]"},
        Case{"needs = [\"wash\", \"dry\", \"wax\"]", "needs = [\"capability_wash\"]",
             "what a programme can need", "needs = [\"member_entry\"]"},
        Case{"needs = [\"wash\", \"dry\", \"wax\"]", "needs = []",
             "expected at least one, such as \"wash\", found none", "needs = [\"sell\"]"},
        Case{"needs = [\"wash\", \"dry\", \"wax\"]", "needs = \"wash\"",
             "expected an array, of what a programme can need", "needs = [\"wheel\"]"},
        Case{"needs = [\"wash\", \"dry\", \"wax\"]", "needs = [\"wash\", \"wax\", \"wash\"]",
             "needs names \"wash\" twice", "needs = [\"underbody\"]"},
        Case{"programme = \"short\"", "programme = \"full\"",
             "programme \"full\" of fenwick-lane is stated twice, also in line", "programme = \"full wash\""}));

INSTANTIATE_TEST_SUITE_P(
    References, RegistryFaultTest,
    ::testing::Values(
        Case{"agent = \"fenwick-box\"", "agent = \"fenwick-bux\"",
             "is no [[site.agent]] of fenwick-lane (did you mean \"fenwick-box\"?)", "agent = \"spare-box\""},
        Case{"depends_on = [\"reclaim\"]", "depends_on = [\"reclame\"]",
             "which is no machine of fenwick-lane (did you mean \"reclaim\"?)", "depends_on = []"},
        Case{"depends_on = [\"reclaim\"]", "depends_on = [\"bay-1\"]", "it depends on itself: bay-1 -> bay-1",
             "depends_on = [\"reclaim\"] # once"},
        Case{"depends_on = [\"reclaim\"]", "depends_on = [\"reclaim\", \"reclaim\"]",
             "names \"reclaim\" twice", "depends_on = [ ]"},
        Case{"key = \"spare-box\"", "key = \"fenwick-box\"", "agent fenwick-box is stated twice",
             "key = \"third-box\""},
        Case{"in_service_from = \"2020-05-01\"",
             "predecessor = \"fenwick-lane\"\nin_service_from = \"2020-05-01\"", "expected \"site/machine\"",
             "predecessor = \"old-yard/bay-9\"\nin_service_from = \"2020-05-01\""},
        Case{"in_service_from = \"2020-05-01\"", "assigned_from = \"soon\"\nin_service_from = \"2020-05-01\"",
             "an instant such as",
             "assigned_from = \"2026-01-01T00:00Z\"\nin_service_from = \"2020-05-01\""}));

TEST(RegistryParseTest, EveryFaultIsToldAtOnce) {
  std::string text = With("currency = \"EUR\"", "currency = \"eur\"");
  text = With(text, "availability = 0.97", "availability = 2");
  text = With(text, "agent = \"fenwick-box\"", "agent = \"nobody\"");
  const std::vector<std::string> faults = FaultsOf(text);
  ASSERT_EQ(faults.size(), 3u);
  for (const char* at : {"currency = \"eur\"", "availability = 2", "agent = \"nobody\""}) {
    EXPECT_THAT(faults, ::testing::Contains(StartsWith(LineMark(text, at)))) << at;
  }
}

TEST(RegistryParseTest, WhatMustBeStatedIsMissed) {
  for (const char* line :
       {"key = \"fenwick-lane\"\n", "name = \"Fenwick Lane\"\n", "region = \"north\"\n",
        "time_zone = \"Europe/Helsinki\"\n", "currency = \"EUR\"\n", "latitude = 61.5\n",
        "attendance = \"unattended\"\n", "kind = \"gantry\"\n", "agent = \"fenwick-box\"\n",
        "in_service_from = \"2020-05-01\"\n", "reason = \"yearly inspection\"\n", "price = \"14.90\"\n",
        "availability = 0.97\n", "needs = [\"wash\", \"dry\", \"wax\"]\n"}) {
    const std::string key(line, std::string_view(line).find(' '));
    EXPECT_THAT(FaultsOf(With(line, "")), ElementsAre(HasSubstr("has no \"" + key + "\": expected ")))
        << line;
  }
}

TEST(RegistryParseTest, TextThatIsNoTomlIsToldWithItsLine) {
  const std::string text = With("region = \"north\"", "region = north");
  EXPECT_THAT(FaultsOf(text),
              ElementsAre(StartsWith(LineMark(text, "region = north") + "this is not TOML: ")));
}

TEST(RegistryParseTest, ATableInPlaceOfAnArrayOfTablesIsTold) {
  EXPECT_THAT(FaultsOf("[site]\nkey = \"a\"\n"),
              ElementsAre(HasSubstr("tables, each headed [[site]], found a table")));
}

TEST(RegistryParseTest, ARetiredMachineNeedsNoAgent) {
  EXPECT_THAT(
      FaultsOf(With("agent = \"fenwick-box\"\ndepends_on", "retired_at = \"2026-05-01\"\ndepends_on")),
      IsEmpty());
  EXPECT_THAT(
      FaultsOf(With("agent = \"fenwick-box\"\ndepends_on",
                    "retired_at = \"2026-05-01\"\nassigned_from = \"2026-01-01T00:00Z\"\ndepends_on")),
      ElementsAre(HasSubstr("it has no agent")));
}

TEST(RegistryParseTest, AMachineThatNeverHasToWashIsTold) {
  const std::string site_hours(
      kDeclaration.substr(kDeclaration.find("[[site.hours]]"),
                          kDeclaration.find("[[site.closure]]") - kDeclaration.find("[[site.hours]]")));
  EXPECT_THAT(FaultsOf(With(site_hours, "")), ElementsAre(HasSubstr("reclaim has no hours of its own")));
  const std::string own = "in_service_from = \"2019-05-01\"\n";
  const std::string with_own =
      With(With(site_hours, ""), own,
           own + "[[site.machine.hours]]\nvalid_from = \"2026-01-01\"\nmon = [\"08:00-20:00\"]\n");
  EXPECT_THAT(FaultsOf(with_own), IsEmpty());
}

TEST(RegistryParseTest, AnnouncedNeedsTheInstantItFollowsFrom) {
  EXPECT_THAT(FaultsOf(With("recorded_at = \"2026-09-20T10:00Z\"\n", "")),
              ElementsAre(HasSubstr("announced follows from recorded_at")));
  EXPECT_THAT(FaultsOf(With(With("recorded_at = \"2026-09-20T10:00Z\"\n", ""), "announced = true\n", "")),
              IsEmpty());
}

TEST(RegistryParseTest, SundayPassesIntoMonday) {
  const std::string late = With("sun = [\"09:00-20:00\"]", "sun = [\"09:00-01:00\"]");
  EXPECT_THAT(FaultsOf(With(late, "mon = [\"07:00-22:00\"]", "mon = [\"00:59-22:00\"]")),
              ElementsAre(HasSubstr("09:00-01:00 of sun lasts into mon, where 00:59-22:00 overlaps it")));
  EXPECT_THAT(FaultsOf(With(late, "mon = [\"07:00-22:00\"]", "mon = [\"01:00-22:00\"]")), IsEmpty());
}

TEST(RegistryParseTest, AMachineKeyIsTakenOnce) {
  const std::string alone = With("depends_on = [\"reclaim\"]", "depends_on = []");
  const std::string twice = With(alone, "key = \"reclaim\"", "key = \"bay-1\"");
  EXPECT_THAT(FaultsOf(twice), ElementsAre(StartsWith("fleet.toml:")));
  EXPECT_THAT(FaultsOf(twice),
              ElementsAre(HasSubstr("machine fenwick-lane/bay-1 is stated twice, also in line")));
  EXPECT_THAT(FaultsOf(With(alone, "key = \"reclaim\"", "key = \"bay-2\"")), IsEmpty());
}

TEST(RegistryParseTest, ACycleAmongPlantIsToldOnce) {
  const std::string text =
      With("in_service_from = \"2019-05-01\"", "depends_on = [\"bay-1\"]\nin_service_from = \"2019-05-01\"");
  EXPECT_THAT(FaultsOf(text), ElementsAre(HasSubstr("bay-1 -> reclaim -> bay-1")));
}

// A second site, in a file of its own, with one machine.
DeclarationFile SecondFile(const std::string& key, const std::string& agent, const std::string& more) {
  return {"second.toml",
          "[[site]]\nkey = \"" + key +
              "\"\nname = \"Second\"\nregion = \"south\"\ntime_zone = \"UTC\"\n"
              "currency = \"EUR\"\nlatitude = 1\nlongitude = 2\nattendance = "
              "\"attended\"\n[[site.agent]]\nkey = \"" +
              agent +
              "\"\n[[site.hours]]\nvalid_from = \"2026-01-01\"\nmon = [\"08:00-20:00\"]\n[[site.machine]]\n"
              "key = \"bay-1\"\nname = \"Bay\"\nkind = \"gantry\"\nagent = \"" +
              agent + "\"\n" + more};
}

std::vector<std::string> FaultsOfBoth(const std::string& first, const DeclarationFile& second) {
  const std::vector<DeclarationFile> files = {{"fleet.toml", first}, second};
  const auto declaration = ParseDeclaration(files);
  if (declaration.ok()) return {};
  return absl::StrSplit(std::string(Message(declaration.status())), '\n');
}

const char kInService[] = "in_service_from = \"2026-03-01\"\n";

TEST(RegistryParseTest, FilesMakeOneDeclaration) {
  const std::string first(kDeclaration);
  EXPECT_THAT(FaultsOfBoth(first, SecondFile("second", "second-box", kInService)), IsEmpty());
  EXPECT_THAT(FaultsOfBoth(first, SecondFile("fenwick-lane", "second-box", kInService)),
              ElementsAre("second.toml:1: site fenwick-lane is declared twice, also at fleet.toml:4"));
  EXPECT_THAT(FaultsOfBoth(first, SecondFile("second", "spare-box", kInService)),
              ElementsAre(HasSubstr("agent spare-box of site second is also an agent of fenwick-lane")));
  DeclarationFile again = SecondFile("second", "second-box", kInService);
  again.text = "[fleet]\n" + again.text;
  EXPECT_THAT(
      FaultsOfBoth(first, again),
      ElementsAre("second.toml:1: [fleet] is stated twice, also at fleet.toml:1: one declaration has one"));
}

TEST(RegistryParseTest, AMachineStandsAtOneSiteAtATime) {
  const DeclarationFile moved =
      SecondFile("second", "second-box", std::string("predecessor = \"fenwick-lane/bay-1\"\n") + kInService);
  const std::string service = "in_service_from = \"2020-05-01\"";
  EXPECT_THAT(FaultsOfBoth(std::string(kDeclaration), moved),
              ElementsAre(HasSubstr("would be at two sites: it is in service from 2026-03-01")));
  EXPECT_THAT(FaultsOfBoth(With(service, service + "\nretired_at = \"2026-03-02\""), moved),
              ElementsAre(HasSubstr("is retired only at 2026-03-02")));
  EXPECT_THAT(FaultsOfBoth(With(service, service + "\nretired_at = \"2026-03-01\""), moved), IsEmpty());
}

TEST(RegistryParseTest, AMachineMovesToOnePlace) {
  const std::string gone = "predecessor = \"old-yard/bay-9\"\n";
  const std::string service = "in_service_from = \"2020-05-01\"";
  const DeclarationFile moved = SecondFile("second", "second-box", gone + kInService);
  EXPECT_THAT(FaultsOfBoth(std::string(kDeclaration), moved), IsEmpty());
  EXPECT_THAT(FaultsOfBoth(With(service, gone + service), moved),
              ElementsAre(HasSubstr("both name old-yard/bay-9 as their predecessor")));
  EXPECT_THAT(FaultsOf(With(service, "predecessor = \"fenwick-lane/bay-1\"\n" + service)),
              ElementsAre(HasSubstr("names itself as its predecessor")));
}

TEST(RegistryParseTest, NoFileIsNoDeclaration) {
  EXPECT_EQ(ParseDeclaration({}).status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace bayward::testing
