// What a changed declaration is said to change, what it leaves open, and that it can be written and read
// again.
#include <set>
#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/registry/changes.h"
#include "server/registry/export.h"
#include "server/registry/resolve.h"
#include "tests/support/declaration_text.h"

namespace bayward::testing {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

const absl::Time kApplied = absl::FromCivil(absl::CivilHour(2026, 9, 1, 12), absl::UTCTimeZone());
const absl::Time kLater = kApplied + absl::Hours(24 * 10);

// As if `text` were applied at `now` where `current` is declared.
absl::StatusOr<Declaration> ResolveText(const std::string& text, const Declaration& current, absl::Time now,
                                        const EndedAssignments& ended = {}) {
  return Resolve(Declared(text), current, ended, now);
}

Declaration FirstApplied(const std::string& text = std::string(kDeclaration)) {
  return ResolveText(text, {}, kApplied).value();
}

std::vector<std::string> ChangesTo(const std::string& text, const std::set<std::string>& with_history = {}) {
  const Declaration current = FirstApplied();
  return DescribeChanges(current, ResolveText(text, current, kLater).value(), with_history);
}

TEST(RegistryChangesTest, TheSameDeclarationChangesNothing) {
  EXPECT_THAT(ChangesTo(std::string(kDeclaration)), IsEmpty());
}

TEST(RegistryChangesTest, AFirstDeclarationSaysEverything) {
  EXPECT_THAT(
      DescribeChanges({}, FirstApplied(), {}),
      ElementsAre(
          "~ the fleet is now a demonstration: rehearsed events count",
          "+ site fenwick-lane (\"Fenwick Lane\", north, unattended)",
          "+ time zone of fenwick-lane from the beginning: Europe/Helsinki",
          "+ time zone of fenwick-lane from 2027-01-01: Europe/Tallinn",
          "+ agent fenwick-box of fenwick-lane", "+ agent spare-box of fenwick-lane",
          "+ hours of fenwick-lane from 2026-01-01: mon to tue 07:00-22:00, wed to thu closed, fri 06:00-13:00 and "
          "14:00-22:00, sat 08:00-01:30, sun 09:00-20:00, holiday closed",
          "+ hours of fenwick-lane from 2026-06-01: mon 00:00-24:00, tue to sun closed, holiday closed",
          "+ holidays of fenwick-lane: 2026-12-06, 2026-12-25",
          "+ closure of fenwick-lane from 2026-10-03T08:00 to 2026-10-03T12:00 (\"yearly inspection\"), announced "
          "2026-09-20T10:00Z",
          "+ programme \"full\" of fenwick-lane: needs wash, wax, dry",
          "+ programme \"short\" of fenwick-lane: needs wash",
          "+ price of \"full\" at fenwick-lane from 2026-01-01: 14.90 EUR",
          "+ price of \"full\" at fenwick-lane from 2026-07-01: 15.50 EUR",
          "+ target of fenwick-lane from 2026-01-01: 0.97",
          "+ machine fenwick-lane/bay-1 (gantry), watched by fenwick-box since ever, depends on reclaim",
          "+ hours of fenwick-lane/bay-1 from 2026-01-01: mon to tue closed, wed 10:00-15:00, thu to sun closed, "
          "holiday closed",
          "+ machine fenwick-lane/reclaim (reclaim), watched by fenwick-box since ever"));
}

TEST(RegistryChangesTest, EachChangeIsOneLine) {
  EXPECT_THAT(ChangesTo(With("demonstration = true", "demonstration = false")),
              ElementsAre("~ the fleet is no longer a demonstration: rehearsed events do not count"));
  EXPECT_THAT(ChangesTo(With("region = \"north\"", "region = \"east\"")),
              ElementsAre("~ site fenwick-lane: region \"north\" -> \"east\""));
  EXPECT_THAT(ChangesTo(With("name = \"Europe/Tallinn\"", "name = \"Europe/Riga\"")),
              ElementsAre("~ time zone of fenwick-lane from 2027-01-01: Europe/Tallinn -> Europe/Riga"));
  EXPECT_THAT(ChangesTo(With("[[site.agent]]\nkey = \"spare-box\"\n", "")),
              ElementsAre("- agent spare-box of fenwick-lane"));
  EXPECT_THAT(ChangesTo(With("mon = [\"07:00-22:00\"]", "mon = [\"07:00-21:00\"]")),
              ElementsAre("~ hours of fenwick-lane from 2026-01-01: mon 07:00-22:00 -> 07:00-21:00"));
  EXPECT_THAT(
      ChangesTo(With("valid_to = \"2026-09-01\"\n", "")),
      ElementsAre("~ hours of fenwick-lane from 2026-06-01: until 2026-09-01 -> until further notice"));
  EXPECT_THAT(ChangesTo(With("\"2026-12-25\", ", "")), ElementsAre("- holidays of fenwick-lane: 2026-12-25"));
  const std::string needs = "needs = [\"wash\", \"dry\", \"wax\"]";
  EXPECT_THAT(ChangesTo(With(needs, "needs = [\"wax\", \"wash\", \"dry\"]")), IsEmpty());
  EXPECT_THAT(ChangesTo(With(needs, "needs = [\"wash\", \"high_pressure\"]")),
              ElementsAre("~ programme \"full\" of fenwick-lane: needs wash, wax, dry -> wash, high_pressure"));
  EXPECT_THAT(ChangesTo(With("[[site.programme]]\nprogramme = \"full\"\n" + needs + "\n", "")),
              ElementsAre("- programme \"full\" of fenwick-lane"));
  EXPECT_THAT(ChangesTo(With("price = \"15.50\"", "price = \"15.5\"")), IsEmpty());
  EXPECT_THAT(ChangesTo(With("price = \"15.50\"", "price = \"16\"")),
              ElementsAre("~ price of \"full\" at fenwick-lane from 2026-07-01: 15.50 -> 16.00 EUR"));
  EXPECT_THAT(ChangesTo(With("availability = 0.97", "availability = 0.95")),
              ElementsAre("~ target of fenwick-lane from 2026-01-01: 0.97 -> 0.95"));
  EXPECT_THAT(ChangesTo(With("depends_on = [\"reclaim\"]\n", "")),
              ElementsAre("~ machine fenwick-lane/bay-1: depends on \"reclaim\" -> \"\""));
  EXPECT_THAT(ChangesTo(With("in_service_from = \"2020-05-01\"",
                             "in_service_from = \"2020-05-01\"\nretired_at = \"2026-11-01\"")),
              ElementsAre("~ machine fenwick-lane/bay-1: retired at \"never\" -> \"2026-11-01\""));
}

TEST(RegistryChangesTest, WhatGoesWithHistorySaysSo) {
  const std::string text(kDeclaration);
  const std::string without =
      With(text.substr(0, text.rfind("[[site.machine]]")), "depends_on = [\"reclaim\"]\n", "");
  EXPECT_THAT(ChangesTo(without), ElementsAre("~ machine fenwick-lane/bay-1: depends on \"reclaim\" -> \"\"",
                                              "- machine fenwick-lane/reclaim (reclaim)"));
  EXPECT_THAT(ChangesTo(without, {"fenwick-lane/reclaim"}),
              ElementsAre(HasSubstr("depends on"), HasSubstr("(reclaim), which has history")));
  EXPECT_THAT(DroppedMachines(FirstApplied(), Declared(without)), ElementsAre("fenwick-lane/reclaim"));
  EXPECT_THAT(DescribeChanges(FirstApplied(), {.demonstration = true, .sites = {}}, {}),
              ElementsAre("- site fenwick-lane", "- agent fenwick-box of fenwick-lane",
                          "- agent spare-box of fenwick-lane", "- machine fenwick-lane/bay-1 (gantry)",
                          "- machine fenwick-lane/reclaim (reclaim)"));
}

// A closure that its declaration says nothing of is announced when it is applied.
const char kUnstated[] = "announced = true\napproved = false\nrecorded_at = \"2026-09-20T10:00Z\"\n";

absl::Time AnnouncedAfter(const std::string& text) {
  const Declaration current = FirstApplied(With(kUnstated, ""));
  EXPECT_EQ(current.sites[0].closures[0].recorded_at, kApplied);
  return *ResolveText(text, current, kLater)->sites[0].closures[0].recorded_at;
}

TEST(RegistryResolveTest, AClosureKeepsItsAnnouncementUnlessItGrows) {
  const std::string same = With(kUnstated, "");
  EXPECT_EQ(AnnouncedAfter(same), kApplied);
  EXPECT_EQ(AnnouncedAfter(With(same, "yearly inspection", "lamps")), kApplied);
  EXPECT_EQ(AnnouncedAfter(With(same, "to = \"2026-10-03T12:00\"", "to = \"2026-10-03T11:00\"")), kApplied);
  EXPECT_EQ(AnnouncedAfter(With(same, "to = \"2026-10-03T12:00\"", "to = \"2026-10-03T12:01\"")), kLater);
  EXPECT_EQ(AnnouncedAfter(With(same, "from = \"2026-10-03T08:00\"", "from = \"2026-10-03T08:30\"")), kLater);
  EXPECT_EQ(AnnouncedAfter(std::string(kDeclaration)),
            absl::FromCivil(absl::CivilHour(2026, 9, 20, 10), absl::UTCTimeZone()));
}

const DeclaredMachine& Bay1(const Declaration& declaration) { return declaration.sites[0].machines[0]; }
const char kBay1Agent[] = "agent = \"fenwick-box\"\ndepends_on";

TEST(RegistryResolveTest, ANewMachineWasAlwaysWatched) {
  EXPECT_EQ(Bay1(FirstApplied()).assigned_from, absl::InfinitePast());
  const std::string stated =
      With(kBay1Agent, "assigned_from = \"2026-01-01T00:00Z\"\nagent = \"fenwick-box\"\ndepends_on");
  EXPECT_EQ(Bay1(FirstApplied(stated)).assigned_from,
            absl::FromCivil(absl::CivilDay(2026, 1, 1), absl::UTCTimeZone()));
}

TEST(RegistryResolveTest, AMachinePassesToAnotherAgentWhenStatedElseNow) {
  const std::string passed = With(kBay1Agent, "agent = \"spare-box\"\ndepends_on");
  EXPECT_EQ(Bay1(ResolveText(passed, FirstApplied(), kLater).value()).assigned_from, kLater);
  EXPECT_THAT(ChangesTo(passed),
              ElementsAre("~ machine fenwick-lane/bay-1: passes from fenwick-box to spare-box at "
                          "2026-09-11T12:00Z"));
  const std::string stated = With(passed, "agent = \"spare-box\"\n",
                                  "agent = \"spare-box\"\nassigned_from = \"2026-09-05T06:00:30.5Z\"\n");
  EXPECT_THAT(ChangesTo(stated), ElementsAre(HasSubstr("at 2026-09-05T06:00:30.5Z")));
}

TEST(RegistryResolveTest, AHandOverComesAfterTheAssignmentThatItEnds) {
  const std::string from_box =
      With(kBay1Agent, "assigned_from = \"2026-08-01T00:00Z\"\nagent = \"fenwick-box\"\ndepends_on");
  const Declaration current = FirstApplied(from_box);
  const auto passed = [](const std::string& at) {
    return With(kBay1Agent, "assigned_from = \"" + at + "\"\nagent = \"spare-box\"\ndepends_on");
  };
  const auto refused = ResolveText(passed("2026-08-01T00:00Z"), current, kLater);
  EXPECT_EQ(refused.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(
      std::string(Message(refused.status())),
      HasSubstr("machine fenwick-lane/bay-1 would pass to spare-box at 2026-08-01T00:00Z, but fenwick-box "
                "watches it only since 2026-08-01T00:00Z"));
  EXPECT_TRUE(ResolveText(passed("2026-08-01T00:01Z"), current, kLater).ok());
}

TEST(RegistryResolveTest, WhoeverComesBackBeginsWhereTheLastOneEnded) {
  const EndedAssignments ended = {{"fenwick-lane/bay-1", {absl::InfinitePast(), kApplied}}};
  EXPECT_EQ(Bay1(ResolveText(std::string(kDeclaration), {}, kLater, ended).value()).assigned_from, kLater);
  const auto stated = [](const std::string& at) {
    return With(kBay1Agent, "assigned_from = \"" + at + "\"\nagent = \"fenwick-box\"\ndepends_on");
  };
  EXPECT_TRUE(ResolveText(stated("2026-09-01T12:00Z"), {}, kLater, ended).ok());
  EXPECT_THAT(std::string(Message(ResolveText(stated("2026-09-01T11:59Z"), {}, kLater, ended).status())),
              HasSubstr("another assignment lasts until 2026-09-01T12:00Z"));
}

TEST(RegistryExportTest, WhatIsWrittenDeclaresTheSame) {
  const Declaration current = FirstApplied();
  const std::string text = WriteDeclaration(current);
  EXPECT_THAT(DescribeChanges(current, ResolveText(text, current, kLater).value(), {}), IsEmpty());
  EXPECT_EQ(WriteDeclaration(Declared(text)), text);
}

}  // namespace
}  // namespace bayward::testing
