#include "server/figures/availability.h"

#include "gtest/gtest.h"
#include "tests/support/calendars.h"

namespace bayward {
namespace {

constexpr absl::Duration kDay = absl::Hours(24);

// Down time that an availability leaves of a period, by the figure itself.
double DownAllowed(double availability, absl::Duration period) {
  TimeAccount account;
  account.down = period * (1 - availability);
  account.up = period - account.down;
  EXPECT_NEAR(*ComputeAvailability(account).point, availability, 1e-12);
  return absl::ToDoubleMinutes(account.down);
}

// C7.5. Site Reliability Engineering, appendix A, availability table. Second-hand, recomputed: a year of 365
// days, a month of 30, minutes.
TEST(AvailabilityPublishedTest, NinesOverAYearAMonthAWeekAndADay) {
  struct Row {
    double availability, year, month, week, day;
  };
  for (const Row& row :
       {Row{0.90, 36.5 * 1440, 72 * 60, 16.8 * 60, 2.4 * 60},
        Row{0.99, 3.65 * 1440, 7.2 * 60, 1.68 * 60, 14.4}, Row{0.999, 525.6, 43.2, 10.08, 1.44},
        Row{0.9995, 4.38 * 60, 21.6, 5.04, 43.2 / 60}, Row{0.9999, 52.56, 4.32, 1.008, 8.64 / 60},
        Row{0.99999, 5.256, 25.92 / 60, 6.048 / 60, 0.864 / 60}}) {
    EXPECT_NEAR(DownAllowed(row.availability, 365 * kDay), row.year, 1e-6 * row.year);
    EXPECT_NEAR(DownAllowed(row.availability, 30 * kDay), row.month, 1e-6 * row.month);
    EXPECT_NEAR(DownAllowed(row.availability, 7 * kDay), row.week, 1e-6 * row.week);
    EXPECT_NEAR(DownAllowed(row.availability, kDay), row.day, 1e-6 * row.day);
  }
  // A leap year.
  EXPECT_NEAR(DownAllowed(0.999, 366 * kDay), 8.784 * 60, 1e-6);
}

absl::Time Hour(double hour) { return absl::FromUnixSeconds(1'780'272'000) + hour * absl::Hours(1); }

// C7.6. Constructed, no evidence from outside: a week open 15 h a day from 07:00, with 2 h of planned upkeep
// and 4.5 h of down time inside, 3 h of it outside, and 6 h that nobody observed.
TEST(AvailabilityPublishedTest, UnknownTimeBoundsAWeek) {
  Calendar calendar = testing::AlwaysOpen();
  for (auto& day : calendar.hours[0].days) day = {{7 * 60, 22 * 60}};
  calendar.closures.push_back({absl::CivilSecond(2026, 6, 2, 8), absl::CivilSecond(2026, 6, 2, 10), "upkeep",
                               absl::InfinitePast(), false});
  MachineHistory history;
  const auto down = [&](double from, double to) {
    Spell spell;
    spell.fault_class = 1;
    spell.raised_at = Hour(from);
    spell.cleared_at = Hour(to);
    spell.end = SpellEnd::kCleared;
    history.spells.push_back(spell);
  };
  down(17.5, 25);  // Monday 17:30 to 01:00: 4.5 h inside, 3 h outside
  history.observed = {{.from = Hour(0), .to = Hour(24 + 12)}, {.from = Hour(24 + 18)}};
  history.observed_until = Hour(7 * 24);
  const Interval week{Hour(0), Hour(7 * 24)};
  const MachineTimeline timeline(history, calendar, week, false);
  TimeAccount account = ComputeAccount(timeline, week);
  EXPECT_EQ(account.required, absl::Hours(103));
  EXPECT_EQ(account.excluded, absl::Hours(2));
  EXPECT_EQ(account.down, absl::Minutes(270));
  EXPECT_EQ(account.unknown_lost, absl::Hours(6));
  const Availability availability = ComputeAvailability(account);
  EXPECT_NEAR(*availability.low, 0.898058, 5e-7);
  EXPECT_NEAR(*availability.high, 0.956311, 5e-7);
  EXPECT_NEAR(*availability.point, 0.953608, 5e-7);
  // Planned maintenance is down time in IEC 60050-192 and EN 13306: 92.5/(92.5 + 4.5 + 2).
  EXPECT_NEAR(*availability.iec, 92.5 / 99, 1e-12);

  // A second machine, open 10 h and down for all of them: hours are summed, ratios are not averaged.
  TimeAccount second;
  second.required = second.down = absl::Hours(10);
  account += second;
  EXPECT_NEAR(*ComputeAvailability(account).low, 0.818584, 5e-7);
}

}  // namespace
}  // namespace bayward
