#include "server/figures/civil_hours.h"

#include "gtest/gtest.h"
#include "server/timeline/required_time.h"
#include "tests/support/small_fleet.h"

namespace bayward::testing {
namespace {

std::vector<CivilHour> HoursOf(const Calendar& calendar, absl::CivilDay day) {
  return CivilHours(calendar, {StartOfDay(calendar, day), StartOfDay(calendar, day + 1)});
}

std::vector<int> Cells(const std::vector<CivilHour>& hours) {
  std::vector<int> cells;
  for (const CivilHour& hour : hours) cells.push_back(hour.cell);
  return cells;
}

TEST(CivilHoursTest, AMondayHasTheFirstCells) {
  const auto hours = HoursOf(AlwaysOpenIn("Europe/Helsinki"), absl::CivilDay(2026, 6, 1));
  ASSERT_EQ(hours.size(), 24U);
  EXPECT_EQ(hours[0].cell, 0);
  EXPECT_EQ(hours[23].cell, 23);
  EXPECT_EQ(hours[0].interval.start, absl::FromCivil(absl::CivilHour(2026, 5, 31, 21), absl::UTCTimeZone()));
  EXPECT_EQ(DayNumber(absl::CivilDay(2026, 6, 1)) % 7, 0);
  EXPECT_EQ(DayOfNumber(hours[0].day), absl::CivilDay(2026, 6, 1));
}

TEST(CivilHoursTest, ASkippedHourIsNotThereARepeatedOneTwice) {
  const Calendar calendar = AlwaysOpenIn("Europe/Helsinki");
  const int sunday = 6 * 24;
  const auto spring = HoursOf(calendar, absl::CivilDay(2026, 3, 29));
  ASSERT_EQ(spring.size(), 23U);
  EXPECT_EQ(spring[2].cell, sunday + 2);
  EXPECT_EQ(spring[3].cell, sunday + 4);
  const auto autumn = HoursOf(calendar, absl::CivilDay(2026, 10, 25));
  ASSERT_EQ(autumn.size(), 25U);
  EXPECT_EQ(autumn[3].cell, sunday + 3);
  EXPECT_EQ(autumn[4].cell, sunday + 3);
  EXPECT_EQ(autumn[5].cell, sunday + 4);
  for (const CivilHour& hour : autumn) EXPECT_EQ(hour.interval.length(), absl::Hours(1));
}

TEST(CivilHoursTest, AClockThatMovesByHalfAnHourCutsTheHour) {
  // 2026-04-05 02:00 becomes 01:30.
  const auto hours = HoursOf(AlwaysOpenIn("Australia/Lord_Howe"), absl::CivilDay(2026, 4, 5));
  ASSERT_EQ(hours.size(), 25U);
  EXPECT_EQ(hours[1].interval.length(), absl::Hours(1));
  EXPECT_EQ(hours[2].cell, hours[1].cell);
  EXPECT_EQ(hours[2].interval.length(), absl::Minutes(30));
  EXPECT_EQ(hours[3].cell, hours[1].cell + 1);
}

TEST(CivilHoursTest, AHolidayHasCellsOfItsOwn) {
  Calendar calendar = AlwaysOpen();
  calendar.holidays = {absl::CivilDay(2026, 6, 2)};
  EXPECT_EQ(HoursOf(calendar, absl::CivilDay(2026, 6, 2))[5].cell, kWeekCells + 5);
  EXPECT_EQ(HoursOf(calendar, absl::CivilDay(2026, 6, 3))[5].cell, 2 * 24 + 5);
}

TEST(CivilHoursTest, AZoneChangeSplitsAtItsDate) {
  Calendar calendar = AlwaysOpen();
  absl::TimeZone helsinki;
  ASSERT_TRUE(absl::LoadTimeZone("Europe/Helsinki", &helsinki));
  calendar.zones.push_back({absl::CivilDay(2026, 6, 2), "Europe/Helsinki", helsinki});
  // The first of June ends three hours early; no hour is told twice.
  const auto hours = CivilHours(calendar, {StartOfDay(calendar, absl::CivilDay(2026, 6, 1)),
                                           StartOfDay(calendar, absl::CivilDay(2026, 6, 3))});
  ASSERT_EQ(hours.size(), 21U + 24U);
  EXPECT_EQ(hours[20].cell, 20);
  EXPECT_EQ(hours[21].cell, 24);
  for (std::size_t i = 1; i < hours.size(); ++i) EXPECT_EQ(hours[i].interval.start, hours[i - 1].interval.end);
}

TEST(CivilHoursTest, PartsOfHoursAddUpToWhatWasAsked) {
  const absl::Time midnight = absl::FromCivil(absl::CivilDay(2026, 6, 1), absl::UTCTimeZone());
  const auto at = [&](int minute) { return midnight + absl::Minutes(minute); };
  const auto hours = CivilHours(AlwaysOpen(), {at(30), at(600)});
  EXPECT_EQ(hours.front().interval.length(), absl::Minutes(30));
  const auto rows = ExposedHours(hours, 7, IntervalSet{{at(0), at(45)}, {at(50), at(125)}, {at(599), at(700)}});
  ASSERT_EQ(rows.size(), 5U);
  EXPECT_EQ(rows[0].machine, 7U);
  EXPECT_DOUBLE_EQ(rows[0].hours, 0.25);  // 00:30 to 00:45
  EXPECT_DOUBLE_EQ(rows[1].hours, 10.0 / 60);
  EXPECT_DOUBLE_EQ(rows[2].hours, 1);
  EXPECT_EQ(rows[3].cell, 2);
  EXPECT_DOUBLE_EQ(rows[4].hours, 1.0 / 60);
  EXPECT_EQ(Cells(hours), (std::vector<int>{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}));
}

}  // namespace
}  // namespace bayward::testing
