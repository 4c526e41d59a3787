#include "server/api/covered_hours.h"

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/small_fleet.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

using ::testing::HasSubstr;

IntervalSet Covered(std::string_view text, const Calendar& site, const Interval& extent) {
  const auto hours = ReadCoveredHours(text);
  EXPECT_TRUE(hours.ok()) << hours.status();
  return hours.ok() ? CoveredTime(*hours, site, extent) : IntervalSet();
}

// Minute 0 is a Monday.
constexpr int kDay = 1440;

TEST(CoveredHoursTest, DaysRangesAndSeveralHoursADay) {
  EXPECT_EQ(
      Text(Covered("mon-tue 08:00-12:00 13:00-17:00, sat 22:00-06:00", AlwaysOpen(), Span(0, 7 * kDay)).intervals()),
      Text(IntervalSet({Span(480, 720), Span(780, 1020), Span(kDay + 480, kDay + 720), Span(kDay + 780, kDay + 1020),
                        Span(5 * kDay + 1320, 6 * kDay + 360)})
               .intervals()));
  EXPECT_EQ(Covered("sat-mon 00:00-24:00", AlwaysOpen(), Span(0, 7 * kDay)).length(), absl::Hours(72));
  EXPECT_EQ(Covered("mon 08:00-12:00, mon 10:00-14:00", AlwaysOpen(), Span(0, kDay)).length(), absl::Hours(6));
}

TEST(CoveredHoursTest, HolidaysAreCoveredOnlyWhenNamed) {
  Calendar site = AlwaysOpen();
  site.holidays = {absl::CivilDay(2026, 6, 2)};
  EXPECT_EQ(Covered("mon-sun 08:00-18:00", site, Span(0, 3 * kDay)).length(), absl::Hours(20));
  EXPECT_EQ(Covered("mon-sun 08:00-18:00, holiday 10:00-12:00", site, Span(0, 3 * kDay)).length(), absl::Hours(22));
}

TEST(CoveredHoursTest, HoursAreTheSitesOwn) {
  // 8 in Helsinki's summer is 5 in UTC.
  EXPECT_EQ(Text(Covered("mon 08:00-18:00", AlwaysOpenIn("Europe/Helsinki"), Span(0, kDay)).intervals()), "300-900");
}

TEST(CoveredHoursTest, SaysWhatItCannotRead) {
  const auto message = [](std::string_view text) {
    const absl::Status status = ReadCoveredHours(text).status();
    EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
    return status.ToString();
  };
  EXPECT_THAT(message("monday 08:00-18:00"),
              HasSubstr("expected days such as mon, mon-fri or holiday, found \"monday\""));
  EXPECT_THAT(message("mon-holiday 08:00-18:00"), HasSubstr("found \"mon-holiday\""));
  EXPECT_THAT(message("mon"), HasSubstr("expected hours after \"mon\""));
  EXPECT_THAT(message("mon 8-18"), HasSubstr("found \"8-18\""));
  EXPECT_THAT(message(" , "), HasSubstr("expected days and hours"));
}

}  // namespace
}  // namespace bayward::testing
