#include "server/api/window.h"

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/api/tzdata.h"
#include "tests/support/small_fleet.h"

namespace bayward::testing {
namespace {

using ::testing::HasSubstr;

absl::Time Utc(const char* text) {
  absl::Time time;
  std::string error;
  EXPECT_TRUE(absl::ParseTime(absl::RFC3339_full, text, &time, &error)) << error;
  return time;
}

class ReportWindowTest : public ::testing::Test {
 protected:
  ReportWindowTest() {
    fleet_ = FleetBuilder()
                 .AddSite("harbour", "north", AlwaysOpenIn("Europe/Helsinki"))
                 .AddSite("prairie", "west", AlwaysOpenIn("America/Chicago"))
                 .Build();
    for (const Site& site : fleet_->sites) sites_.push_back(&site);
  }

  absl::StatusOr<SiteWindows> Resolve(const std::string& from, const std::string& to) const {
    v1::Window window;
    window.set_from(from);
    window.set_to(to);
    return ResolveWindow(window, sites_, now_);
  }
  Interval At(const std::string& from, const std::string& to, std::size_t site) const {
    const auto windows = Resolve(from, to);
    EXPECT_TRUE(windows.ok()) << windows.status();
    return windows.ok() ? windows->of.at(sites_[site]->id) : Interval{};
  }
  std::string Refusal(const std::string& from, const std::string& to) const {
    const auto windows = Resolve(from, to);
    EXPECT_EQ(windows.status().code(), absl::StatusCode::kInvalidArgument);
    return std::string(Message(windows.status()));
  }

  std::shared_ptr<const Fleet> fleet_;
  std::vector<const Site*> sites_;
  absl::Time now_ = Utc("2026-12-01T00:00:00Z");
};

TEST_F(ReportWindowTest, AnInstantIsTheSameEverywhere) {
  const auto windows = Resolve("2026-08-01T06:00:00Z", "2026-08-01T10:00:00+02:00");
  ASSERT_TRUE(windows.ok()) << windows.status();
  for (const Site* site : sites_) {
    EXPECT_EQ(windows->of.at(site->id).start, Utc("2026-08-01T06:00:00Z"));
    EXPECT_EQ(windows->of.at(site->id).end, Utc("2026-08-01T08:00:00Z"));
  }
  EXPECT_FALSE(windows->by_date);
}

TEST_F(ReportWindowTest, ADateIsEachSitesOwnMidnight) {
  const auto windows = Resolve("2026-08-01", "2026-08-02");
  ASSERT_TRUE(windows.ok()) << windows.status();
  EXPECT_EQ(windows->of.at(sites_[0]->id).start, Utc("2026-07-31T21:00:00Z"));
  EXPECT_EQ(windows->of.at(sites_[1]->id).start, Utc("2026-08-01T05:00:00Z"));
  EXPECT_EQ(windows->hull.start, Utc("2026-07-31T21:00:00Z"));
  EXPECT_EQ(windows->hull.end, Utc("2026-08-02T05:00:00Z"));
  EXPECT_TRUE(windows->by_date);
}

TEST_F(ReportWindowTest, ADayOfTheClocksChangingHas23Or25Hours) {
  EXPECT_EQ(At("2026-03-29", "2026-03-30", 0).length(), absl::Hours(23));
  EXPECT_EQ(At("2026-10-25", "2026-10-26", 0).length(), absl::Hours(25));
  EXPECT_EQ(At("2026-03-08", "2026-03-09", 1).length(), absl::Hours(23));
  EXPECT_EQ(At("2026-03-08", "2026-03-09", 0).length(), absl::Hours(24));
  EXPECT_EQ(At("2026-11-01", "2026-11-02", 1).length(), absl::Hours(25));
}

TEST_F(ReportWindowTest, ItEndsAtNowAtTheLatest) {
  EXPECT_EQ(At("2026-11-30", "", 0).end, now_);
  EXPECT_EQ(At("2026-11-30", "2027-01-01", 0).end, now_);
  EXPECT_EQ(At("2026-11-29", "2026-11-30", 0).end, Utc("2026-11-29T22:00:00Z"));
}

TEST_F(ReportWindowTest, ASiteWhoseDayHasNotBegunHasAnEmptyWindow) {
  // At midnight UTC it is 2 o'clock of December 1 in Helsinki and still November 30 in Chicago.
  const auto windows = Resolve("2026-12-01", "");
  ASSERT_TRUE(windows.ok()) << windows.status();
  EXPECT_EQ(windows->of.at(sites_[0]->id).length(), absl::Hours(2));
  EXPECT_TRUE(windows->of.at(sites_[1]->id).empty());
  EXPECT_EQ(windows->hull.start, Utc("2026-11-30T22:00:00Z"));
  EXPECT_THAT(Refusal("2026-12-02", ""), HasSubstr("2026-12-02 is still to come"));
  EXPECT_THAT(Refusal("2026-12-02", "2026-12-05"), HasSubstr("is still to come"));
}

TEST_F(ReportWindowTest, TheWrongWayRoundIsRefused) {
  EXPECT_THAT(Refusal("2026-08-02", "2026-08-01"), HasSubstr("2026-08-02 is not before 2026-08-01"));
  EXPECT_THAT(Refusal("2026-08-01", "2026-08-01"), HasSubstr("is not before"));
  // Before Helsinki's midnight but after Chicago's would be, so that one site has no window.
  EXPECT_THAT(Refusal("2026-08-01", "2026-08-01T00:00:00Z"), HasSubstr("at site prairie"));
  EXPECT_TRUE(Resolve("2026-08-01", "2026-08-01T06:00:00Z").ok());
}

TEST_F(ReportWindowTest, WhatCannotBeReadIsNamed) {
  EXPECT_THAT(Refusal("", "2026-08-01"), HasSubstr("window.from: expected a date"));
  EXPECT_THAT(Refusal("", "2026-08-01"), HasSubstr("found nothing"));
  EXPECT_THAT(Refusal("2026-02-29", ""), HasSubstr("found \"2026-02-29\""));
  EXPECT_THAT(Refusal("2026-08-01", "yesterday"), HasSubstr("window.to: expected"));
  EXPECT_TRUE(Resolve("2024-02-29", "").ok());
}

TEST_F(ReportWindowTest, TenYearsAreEnough) {
  EXPECT_THAT(Refusal("1990-01-01", "2026-08-01"), HasSubstr("at most 3660 days"));
  EXPECT_THAT(Refusal("1990-01-01", ""), HasSubstr("at most 3660 days"));
  EXPECT_TRUE(Resolve("2016-12-01", "").ok());
}

TEST_F(ReportWindowTest, TheZoneIsThatOfTheInstant) {
  Calendar moved = AlwaysOpenIn("Europe/Helsinki");
  moved.zones.push_back({absl::CivilDay(2026, 7, 1), "UTC", absl::UTCTimeZone()});
  EXPECT_EQ(ZoneAt(moved, Utc("2026-06-30T23:59:59Z")).name, "Europe/Helsinki");
  EXPECT_EQ(ZoneAt(moved, Utc("2026-07-01T00:00:00Z")).name, "UTC");
  EXPECT_EQ(ZoneAt(Calendar(), Utc("2026-07-01T00:00:00Z")).name, "UTC");
}

TEST(TzdataTest, TheVersionIsReadFromTheZoneDirectory) {
  EXPECT_EQ(TzdataVersion("/nonexistent"), "unknown");
  const std::string version = TzdataVersion();
  EXPECT_THAT(version, ::testing::MatchesRegex("20[0-9][0-9][a-z]+")) << ZoneDirectory();
}

}  // namespace
}  // namespace bayward::testing
