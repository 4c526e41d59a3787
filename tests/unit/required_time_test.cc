#include "server/timeline/required_time.h"

#include <string>

#include "gtest/gtest.h"

namespace bayward {
namespace {

absl::TimeZone Zone(const char* name) {
  absl::TimeZone zone;
  EXPECT_TRUE(absl::LoadTimeZone(name, &zone)) << name;
  return zone;
}

// Open every day, holidays included, in one zone.
Calendar Daily(const char* zone, int open_minute, int close_minute) {
  Calendar calendar;
  calendar.zones.push_back({absl::CivilDay::min(), zone, Zone(zone)});
  WeekHours hours;
  hours.valid_from = absl::CivilDay::min();
  for (auto& day : hours.days) day.push_back({open_minute, close_minute});
  calendar.hours.push_back(hours);
  return calendar;
}

Interval Utc(absl::CivilSecond from, absl::CivilSecond to) {
  return {absl::FromCivil(from, absl::UTCTimeZone()), absl::FromCivil(to, absl::UTCTimeZone())};
}

Interval Days(const Calendar& calendar, absl::CivilDay from, absl::CivilDay to) {
  return {StartOfDay(calendar, from), StartOfDay(calendar, to)};
}

using Day = absl::CivilDay;
using Second = absl::CivilSecond;

TEST(RequiredTimeTest, IsTheOpeningHoursOfEachDayInTheWindow) {
  const Calendar calendar = Daily("Europe/Berlin", 7 * 60, 22 * 60);  // UTC+2 in June
  EXPECT_EQ(RequiredTime(calendar, Utc(Second(2026, 6, 1, 6), Second(2026, 6, 2, 6))),
            IntervalSet({Utc(Second(2026, 6, 1, 6), Second(2026, 6, 1, 20)),
                         Utc(Second(2026, 6, 2, 5), Second(2026, 6, 2, 6))}));
  EXPECT_TRUE(RequiredTime(calendar, Utc(Second(2026, 6, 1, 21), Second(2026, 6, 2, 4))).empty());
}

TEST(RequiredTimeTest, HoursMayPassMidnight) {
  const Calendar calendar = Daily("UTC", 20 * 60, 26 * 60);
  EXPECT_EQ(RequiredTime(calendar, Utc(Second(2026, 6, 1), Second(2026, 6, 2))),
            IntervalSet({Utc(Second(2026, 6, 1, 0), Second(2026, 6, 1, 2)),
                         Utc(Second(2026, 6, 1, 20), Second(2026, 6, 2, 0))}));
}

TEST(RequiredTimeTest, HoursOfOneDayMayReachTheSameMinuteOfTheNext) {
  const Calendar calendar = Daily("UTC", 6 * 60, 30 * 60);
  EXPECT_EQ(RequiredTime(calendar, Utc(Second(2026, 6, 1, 1), Second(2026, 6, 3, 1))),
            IntervalSet({Utc(Second(2026, 6, 1, 1), Second(2026, 6, 3, 1))}));
}

TEST(RequiredTimeTest, WeekdaysHaveTheirOwnHoursAndAHolidayReplacesThem) {
  Calendar calendar = Daily("UTC", 0, 1440);
  for (auto& day : calendar.hours[0].days) day.clear();
  auto& days = calendar.hours[0].days;
  days[static_cast<std::size_t>(DayKind::kMonday)] = {{480, 720}, {780, 1080}};
  days[static_cast<std::size_t>(DayKind::kSunday)] = {{600, 960}};
  days[static_cast<std::size_t>(DayKind::kHoliday)] = {{660, 720}};
  // 2026-06-01 is a Monday.
  const Interval week = Days(calendar, Day(2026, 6, 1), Day(2026, 6, 8));
  EXPECT_EQ(RequiredTime(calendar, week), IntervalSet({Utc(Second(2026, 6, 1, 8), Second(2026, 6, 1, 12)),
                                                       Utc(Second(2026, 6, 1, 13), Second(2026, 6, 1, 18)),
                                                       Utc(Second(2026, 6, 7, 10), Second(2026, 6, 7, 16))}));
  calendar.holidays = {Day(2026, 6, 1), Day(2026, 6, 3)};
  EXPECT_EQ(RequiredTime(calendar, week), IntervalSet({Utc(Second(2026, 6, 1, 11), Second(2026, 6, 1, 12)),
                                                       Utc(Second(2026, 6, 3, 11), Second(2026, 6, 3, 12)),
                                                       Utc(Second(2026, 6, 7, 10), Second(2026, 6, 7, 16))}));
}

TEST(RequiredTimeTest, HoursHoldForTheirDates) {
  Calendar calendar = Daily("UTC", 8 * 60, 10 * 60);
  calendar.hours.push_back(calendar.hours[0]);
  calendar.hours[0].valid_to = Day(2026, 6, 2);
  calendar.hours[1].valid_from = Day(2026, 6, 3);
  for (auto& day : calendar.hours[1].days) day = {{9 * 60, 12 * 60}};
  EXPECT_EQ(RequiredTime(calendar, Days(calendar, Day(2026, 6, 1), Day(2026, 6, 4))),
            IntervalSet({Utc(Second(2026, 6, 1, 8), Second(2026, 6, 1, 10)),
                         Utc(Second(2026, 6, 3, 9), Second(2026, 6, 3, 12))}));
}

TEST(RequiredTimeTest, ServiceLifeBoundsIt) {
  Calendar calendar = Daily("Europe/Berlin", 0, 1440);
  calendar.in_service_from = Day(2026, 6, 2);
  calendar.retired_at = Day(2026, 6, 4);
  const Interval life = Utc(Second(2026, 6, 1, 22), Second(2026, 6, 3, 22));
  EXPECT_EQ(RequiredTime(calendar, Days(calendar, Day(2026, 5, 1), Day(2026, 7, 1))), IntervalSet{life});
  EXPECT_EQ(RequiredTime(calendar, {absl::InfinitePast(), absl::InfiniteFuture()}), IntervalSet{life});
  EXPECT_TRUE(RequiredTime(calendar, Days(calendar, Day(2026, 6, 4), Day(2026, 7, 1))).empty());
}

TEST(RequiredTimeTest, AnAgreedClosureIsTakenOut) {
  Calendar calendar = Daily("UTC", 8 * 60, 20 * 60);
  Closure closure{Second(2026, 6, 1, 18), Second(2026, 6, 2, 9), "new brushes", absl::InfinitePast(), false};
  closure.recorded_at = Utc(Second(2026, 6, 1, 18), Second()).start;  // at its very start
  calendar.closures = {closure};
  const Interval days = Days(calendar, Day(2026, 6, 1), Day(2026, 6, 3));
  EXPECT_EQ(RequiredTime(calendar, days), IntervalSet({Utc(Second(2026, 6, 1, 8), Second(2026, 6, 1, 18)),
                                                       Utc(Second(2026, 6, 2, 9), Second(2026, 6, 2, 20))}));
  EXPECT_EQ(ExcludedTime(calendar, days), IntervalSet({Utc(Second(2026, 6, 1, 18), Second(2026, 6, 1, 20)),
                                                       Utc(Second(2026, 6, 2, 8), Second(2026, 6, 2, 9))}));
}

TEST(RequiredTimeTest, AnUnannouncedClosureStaysUnlessTheOwnerApproves) {
  Calendar calendar = Daily("UTC", 8 * 60, 20 * 60);
  Closure closure{Second(2026, 6, 1, 10), Second(2026, 6, 1, 12), "burst hose", absl::InfinitePast(), false};
  closure.recorded_at = Utc(Second(2026, 6, 1, 10, 0, 1), Second()).start;
  calendar.closures = {closure};
  const Interval day = Days(calendar, Day(2026, 6, 1), Day(2026, 6, 2));
  EXPECT_EQ(RequiredTime(calendar, day).length(), absl::Hours(12));
  EXPECT_TRUE(ExcludedTime(calendar, day).empty());
  calendar.closures[0].approved = true;
  EXPECT_EQ(RequiredTime(calendar, day).length(), absl::Hours(10));
  EXPECT_EQ(ExcludedTime(calendar, day).length(), absl::Hours(2));
}

TEST(RequiredTimeTest, AClosureWithoutEndGoesOn) {
  Calendar calendar = Daily("UTC", 0, 1440);
  Closure closure;
  closure.from = Second(2026, 6, 2);
  closure.recorded_at = absl::InfinitePast();
  calendar.closures = {closure};
  EXPECT_EQ(RequiredTime(calendar, Days(calendar, Day(2026, 6, 1), Day(2026, 9, 1))).length(),
            absl::Hours(24));
}

TEST(RequiredTimeTest, OverlappingHoursCountOnce) {
  Calendar calendar = Daily("UTC", 8 * 60, 14 * 60);
  for (auto& day : calendar.hours[0].days) day.push_back({12 * 60, 20 * 60});
  EXPECT_EQ(RequiredTime(calendar, Days(calendar, Day(2026, 6, 1), Day(2026, 6, 2))).length(),
            absl::Hours(12));
}

TEST(CivilTimeTest, ATimeThatDoesNotExistIsTheTransition) {
  const Calendar calendar = Daily("Europe/Berlin", 0, 1440);
  const absl::Time transition = Utc(Second(2026, 3, 29, 1), Second()).start;
  EXPECT_EQ(OpensAt(calendar, Second(2026, 3, 29, 2, 30)), transition);
  EXPECT_EQ(ClosesAt(calendar, Second(2026, 3, 29, 2, 30)), transition);
  EXPECT_EQ(OpensAt(calendar, Second(2026, 3, 29, 3, 30)), transition + absl::Minutes(30));
}

TEST(CivilTimeTest, ATimeThatOccursTwiceOpensAtItsFirstAndClosesAtItsSecond) {
  const Calendar calendar = Daily("Europe/Berlin", 0, 1440);
  EXPECT_EQ(OpensAt(calendar, Second(2026, 10, 25, 2, 30)), Utc(Second(2026, 10, 25, 0, 30), Second()).start);
  EXPECT_EQ(ClosesAt(calendar, Second(2026, 10, 25, 2, 30)),
            Utc(Second(2026, 10, 25, 1, 30), Second()).start);
  EXPECT_EQ(ClosesAt(calendar, Second(2026, 10, 25, 3, 30)),
            Utc(Second(2026, 10, 25, 2, 30), Second()).start);
}

TEST(CivilTimeTest, AMidnightThatDoesNotExistBeginsItsDayAtTheTransition) {
  // Cairo goes from 24:00 on 2026-04-23 straight to 01:00.
  const Calendar calendar = Daily("Africa/Cairo", 0, 1440);
  const absl::Time start = StartOfDay(calendar, Day(2026, 4, 24));
  EXPECT_EQ(absl::ToCivilSecond(start, calendar.zones[0].zone), Second(2026, 4, 24, 1));
  EXPECT_EQ(StartOfDay(calendar, Day(2026, 4, 25)) - start, absl::Hours(23));
  EXPECT_EQ(RequiredTime(calendar, Days(calendar, Day(2026, 4, 24), Day(2026, 4, 25))).length(),
            absl::Hours(23));
}

TEST(CivilTimeTest, AZoneChangeSplitsAtItsDate) {
  Calendar east = Daily("UTC", 0, 1440);
  east.zones.push_back({Day(2026, 6, 2), "Etc/GMT-1", Zone("Etc/GMT-1")});  // an hour ahead of UTC
  EXPECT_EQ(StartOfDay(east, Day(2026, 6, 2)), Utc(Second(2026, 6, 1, 23), Second()).start);
  EXPECT_EQ(DayAt(east, Utc(Second(2026, 6, 1, 22, 59), Second()).start), Day(2026, 6, 1));
  EXPECT_EQ(DayAt(east, Utc(Second(2026, 6, 1, 23), Second()).start), Day(2026, 6, 2));
  EXPECT_EQ(RequiredTime(east, Days(east, Day(2026, 6, 1), Day(2026, 6, 2))).length(), absl::Hours(23));
  EXPECT_EQ(RequiredTime(east, Days(east, Day(2026, 6, 1), Day(2026, 6, 3))).length(), absl::Hours(47));
  // No civil time of a day lies beyond the instant at which the next zone's date begins.
  EXPECT_EQ(ClosesAt(east, Second(2026, 6, 1, 23, 30)), Utc(Second(2026, 6, 1, 23), Second()).start);

  Calendar west = Daily("UTC", 0, 1440);
  west.zones.push_back({Day(2026, 6, 2), "Etc/GMT+1", Zone("Etc/GMT+1")});
  EXPECT_EQ(StartOfDay(west, Day(2026, 6, 2)), Utc(Second(2026, 6, 2, 1), Second()).start);
  EXPECT_EQ(RequiredTime(west, Days(west, Day(2026, 6, 1), Day(2026, 6, 2))).length(), absl::Hours(25));
  EXPECT_EQ(RequiredTime(west, Days(west, Day(2026, 6, 1), Day(2026, 6, 3))),
            IntervalSet({Utc(Second(2026, 6, 1), Second(2026, 6, 3, 1))}));
}

TEST(CivilTimeTest, TheFirstZoneHoldsFromTheBeginning) {
  Calendar calendar = Daily("Etc/GMT-1", 0, 1440);
  calendar.zones[0].valid_from = Day(2026, 6, 1);
  EXPECT_EQ(OpensAt(calendar, Second(2020, 1, 1, 1)), Utc(Second(2020, 1, 1), Second()).start);
}

}  // namespace
}  // namespace bayward
