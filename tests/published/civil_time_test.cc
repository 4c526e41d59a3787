#include <string>

#include "gtest/gtest.h"
#include "server/timeline/required_time.h"

// C11. Debian tzdata 2026f via zdump and Python zoneinfo; computed, two readers agree. These zones' rules for
// 2026 have stood for years, so that other recent releases give the same.
namespace bayward {
namespace {

class CivilTimePublishedTest : public ::testing::Test {
 protected:
  void Use(const char* name, int open_minute, int close_minute) {
    absl::TimeZone zone;
    ASSERT_TRUE(absl::LoadTimeZone(name, &zone)) << name;
    calendar_ = Calendar();
    calendar_.zones.push_back({absl::CivilDay::min(), name, zone});
    WeekHours hours;
    hours.valid_from = absl::CivilDay::min();
    for (auto& day : hours.days) day.push_back({open_minute, close_minute});
    calendar_.hours.push_back(hours);
  }

  Interval Day(int month, int day) const {
    const absl::CivilDay date(2026, month, day);
    return {StartOfDay(calendar_, date), StartOfDay(calendar_, date + 1)};
  }
  double DayHours(int month, int day) const { return absl::ToDoubleHours(Day(month, day).length()); }
  double OpenHours(int month, int day) const {
    return absl::ToDoubleHours(RequiredTime(calendar_, Day(month, day)).length());
  }
  // The offset from UTC just before and at a transition, in hours.
  std::pair<double, double> Offsets(std::int64_t transition) const {
    const absl::TimeZone& zone = calendar_.zones[0].zone;
    const absl::Time at = absl::FromUnixSeconds(transition);
    return {zone.At(at - absl::Seconds(1)).offset / 3600.0, zone.At(at).offset / 3600.0};
  }

  Calendar calendar_;
};

using Offset = std::pair<double, double>;

constexpr int kHalfPastMidnight = 30;
constexpr int kSix = 6 * 60;

// C11.1
TEST_F(CivilTimePublishedTest, London) {
  ASSERT_NO_FATAL_FAILURE(Use("Europe/London", kHalfPastMidnight, kSix));
  EXPECT_EQ(Offsets(1774746000), Offset(0, 1));
  EXPECT_EQ(Offsets(1792890000), Offset(1, 0));
  EXPECT_DOUBLE_EQ(DayHours(3, 29), 23);
  EXPECT_DOUBLE_EQ(DayHours(10, 25), 25);
  EXPECT_DOUBLE_EQ(OpenHours(3, 29), 4.5);
  EXPECT_DOUBLE_EQ(OpenHours(10, 25), 6.5);
  EXPECT_DOUBLE_EQ(OpenHours(6, 1), 5.5);
  ASSERT_NO_FATAL_FAILURE(Use("Europe/London", 7 * 60, 22 * 60));
  EXPECT_DOUBLE_EQ(OpenHours(3, 29), 15);
  EXPECT_DOUBLE_EQ(OpenHours(10, 25), 15);
  ASSERT_NO_FATAL_FAILURE(Use("Europe/London", 0, 1440));
  const Interval year{Day(1, 1).start, Day(12, 31).end};
  EXPECT_EQ(RequiredTime(calendar_, year).length(), absl::Hours(8760));
}

// C11.2
TEST_F(CivilTimePublishedTest, NewYork) {
  ASSERT_NO_FATAL_FAILURE(Use("America/New_York", kHalfPastMidnight, kSix));
  EXPECT_EQ(Offsets(1772953200), Offset(-5, -4));
  EXPECT_EQ(Offsets(1793512800), Offset(-4, -5));
  EXPECT_DOUBLE_EQ(DayHours(3, 8), 23);
  EXPECT_DOUBLE_EQ(DayHours(11, 1), 25);
  EXPECT_DOUBLE_EQ(OpenHours(3, 8), 4.5);
  EXPECT_DOUBLE_EQ(OpenHours(11, 1), 6.5);
}

// C11.3: half an hour of summer time.
TEST_F(CivilTimePublishedTest, LordHowe) {
  ASSERT_NO_FATAL_FAILURE(Use("Australia/Lord_Howe", kHalfPastMidnight, kSix));
  EXPECT_EQ(Offsets(1775314800), Offset(11, 10.5));
  EXPECT_EQ(Offsets(1791041400), Offset(10.5, 11));
  EXPECT_DOUBLE_EQ(DayHours(4, 5), 24.5);
  EXPECT_DOUBLE_EQ(DayHours(10, 4), 23.5);
  EXPECT_DOUBLE_EQ(OpenHours(4, 5), 6.0);
  EXPECT_DOUBLE_EQ(OpenHours(10, 4), 5.0);
}

}  // namespace
}  // namespace bayward
