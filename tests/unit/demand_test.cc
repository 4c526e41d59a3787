#include "server/figures/demand.h"

#include <cmath>
#include <limits>

#include "gtest/gtest.h"
#include "server/figures/site_days.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// tests/oracles/site_days.R: optimize, and theta.ml of MASS.
TEST(SiteDaysOracleTest, WeightOfTheRegionAndShapeOfOwnDaysAgreeWithR) {
  int cases = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("site_days.csv")) {
    ++cases;
    const auto sites = static_cast<std::size_t>(row.Number("sites"));
    const int days = static_cast<int>(row.Number("days"));
    SiteDays site_days(sites, 100, 100 + days - 1);
    const std::vector<double> expected = row.Numbers("expected");
    const std::vector<double> observed = row.Numbers("observed");
    for (std::size_t k = 0; k < expected.size(); ++k) {
      const auto days_size = static_cast<std::size_t>(days);
      SiteDays::Day& day = site_days.At(k / days_size, 100 + static_cast<int>(k % days_size));
      day.expected = expected[k];
      day.observed = observed[k];
    }
    site_days.AddUp();
    const std::optional<double> weight = site_days.FitRegionWeight();
    ASSERT_TRUE(weight.has_value());
    EXPECT_NEAR(std::log(*weight), std::log(row.Number("weight")), 2e-4);
    site_days.SetFactors(row.Number("weight"));
    const std::optional<double> shape = site_days.FitOwnShape();
    ASSERT_TRUE(shape.has_value());
    EXPECT_NEAR(*shape / row.Number("theta"), 1, 1e-3);
  }
  EXPECT_EQ(cases, 25);
}

// Starts by a rule, so that nothing is left to chance: machine i, day d, hour h.
template <typename Starts>
std::vector<DemandMachine> Fleet(std::size_t sites, std::size_t machines, int days, const Starts& starts) {
  std::vector<DemandMachine> fleet(machines);
  for (std::size_t i = 0; i < machines; ++i) {
    fleet[i].site = i % sites;
    for (int day = 0; day < days; ++day) {
      for (int h = 8; h < 20; ++h) {
        fleet[i].hours.push_back({.day = day,
                                  .cell = (day % 7) * 24 + h,
                                  .up_hours = 1,
                                  .starts = starts(i, day, h),
                                  .utilisation = 0.3});
      }
    }
  }
  return fleet;
}

TEST(DemandTest, CellsFollowTheHoursOfTheWeek) {
  const auto fleet =
      Fleet(2, 2, 140, [](std::size_t, int day, int h) { return day % 7 == 5 && h < 14 ? 8 : 2; });
  const DemandModel model = *FitDemand(fleet, {.as_of_day = 140});
  EXPECT_NEAR(model.MeanRate(0, 5 * 24 + 10), 8, 0.3);
  EXPECT_NEAR(model.MeanRate(0, 2 * 24 + 10), 2, 0.1);
  EXPECT_EQ(model.machines[0].hours_used, 140 * 12);
  EXPECT_EQ(model.own_day_shape, std::nullopt);  // days without any spread
}

TEST(DemandTest, AnHourAHalfLifeOldCountsHalf) {
  // 2 an hour in the first 56 days, then 4: at the end the sums of the two halves stand as 1 to 2.
  const auto fleet = Fleet(1, 1, 112, [](std::size_t, int day, int) { return day < 56 ? 2 : 4; });
  const DemandModel model = *FitDemand(fleet, {.as_of_day = 112});
  EXPECT_NEAR(model.MeanRate(0, 10), 2 + 2 * 2 / 3.0, 0.05);
  const DemandModel long_memory = *FitDemand(fleet, {.as_of_day = 112, .half_life_weeks = 1e6});
  EXPECT_NEAR(long_memory.MeanRate(0, 10), 3, 0.05);
}

TEST(DemandTest, DaysFromAsOfOnTeachNothing) {
  const auto steady = Fleet(1, 2, 70, [](std::size_t, int, int) { return 3; });
  const auto changed = Fleet(1, 2, 70, [](std::size_t, int day, int) { return day < 56 ? 3 : 30; });
  EXPECT_EQ(FitDemand(steady, {.as_of_day = 56})->MeanRate(0, 10),
            FitDemand(changed, {.as_of_day = 56})->MeanRate(0, 10));
  EXPECT_NE(FitDemand(steady, {.as_of_day = 63})->MeanRate(0, 10),
            FitDemand(changed, {.as_of_day = 63})->MeanRate(0, 10));
}

TEST(DemandTest, WhatIsAnAgeAgoTeachesNothing) {
  auto fleet = Fleet(1, 2, 70, [](std::size_t, int, int) { return 3; });
  const double before = FitDemand(fleet, {.as_of_day = 70})->MeanRate(0, 10);
  fleet[0].hours.push_back({.day = 69 - 60 * 8 * 7, .cell = 10, .up_hours = 1, .starts = 1000});
  EXPECT_EQ(FitDemand(fleet, {.as_of_day = 70})->MeanRate(0, 10), before);
  EXPECT_EQ(FitDemand(fleet, {.as_of_day = 20'000}).status().code(), kInvalid);  // all of it is
  EXPECT_TRUE(FitDemand(fleet, {.as_of_day = 70, .half_life_weeks = 0.1}).ok());
}

TEST(DemandTest, BusyHoursAreLeftOutAndTold) {
  auto fleet = Fleet(1, 1, 70, [](std::size_t, int, int) { return 3; });
  fleet[0].hours[0].utilisation = 0.86;
  fleet[0].hours[0].starts = 50;
  fleet[0].hours[1].utilisation = 0.85;
  const DemandOptions options{.as_of_day = 70};
  const DemandModel model = *FitDemand(fleet, options);
  EXPECT_EQ(model.machines[0].hours_left_out, 1);
  EXPECT_NEAR(model.MeanRate(0, 8), 3, 0.05);
  EXPECT_EQ(LeftOutNote(model.machines[0], options),
            "1 of 840 hours, busier than 85 %, are left out of the estimate: customers may have been turned "
            "away in "
            "them");
  EXPECT_EQ(LeftOutNote(MachineDemand(), options), "");
}

TEST(DemandTest, AMachineWithoutHoursHasThePooledWeek) {
  auto fleet =
      Fleet(3, 3, 140, [](std::size_t i, int, int h) { return h < 12 ? 1 : 4 + static_cast<int>(i); });
  fleet[2].hours.clear();
  const DemandModel model = *FitDemand(fleet, {.as_of_day = 140});
  EXPECT_NEAR(model.MeanRate(2, 9), 1, 0.1);
  EXPECT_NEAR(model.MeanRate(2, 15), 4.5, 0.2);
  // It is known less well than the others.
  EXPECT_LT(model.machines[2].cells[15].shape, model.machines[0].cells[15].shape);
  // Hours of the week that nobody was seen in: the overall rate, hardly known.
  EXPECT_GT(model.MeanRate(0, 3), 0.5);
}

TEST(DemandTest, HolidaysAreDaysOfTheirOwn) {
  auto fleet = Fleet(2, 2, 140, [](std::size_t, int, int) { return 3; });
  for (DemandMachine& machine : fleet) {
    for (DemandHour& hour : machine.hours) {
      if (hour.day % 30 != 0) continue;
      hour.cell = kWeekCells + hour.cell % 24;
      hour.starts = 9;
    }
  }
  const DemandModel model = *FitDemand(fleet, {.as_of_day = 140, .half_life_weeks = 1e6});
  EXPECT_NEAR(model.MeanRate(0, kWeekCells + 10), 9, 0.8);
  EXPECT_NEAR(model.MeanRate(0, 10), 3, 0.2);
}

TEST(DemandTest, TheRegionsOtherSitesTellTheDay) {
  // Every fifth day is twice as busy, at all sites.
  const auto fleet = Fleet(4, 4, 140, [](std::size_t, int day, int) { return day % 5 == 0 ? 6 : 3; });
  const DemandOptions options{.as_of_day = 133};
  const DemandModel model = *FitDemand(fleet, options);
  ASSERT_TRUE(model.region_weight.has_value());
  const DayFactors factors = *SameDayFactors(model, fleet, 1, options);
  // Drawn to 1: no further out than what was seen.
  EXPECT_GT(factors.at(135), 1.4);
  EXPECT_LT(factors.at(135), 2.0);
  EXPECT_LT(factors.at(136), 1.0);
  EXPECT_NEAR(factors.at(135) * model.MeanRate(1, (135 % 7) * 24 + 10), 6, 0.5);
  // A lone site has no others.
  const auto lone = Fleet(1, 4, 140, [](std::size_t, int day, int) { return day % 5 == 0 ? 6 : 3; });
  const DemandModel alone = *FitDemand(lone, options);
  EXPECT_EQ(alone.region_weight, std::nullopt);
  EXPECT_TRUE(alone.own_day_shape.has_value());  // its days vary for themselves
  EXPECT_TRUE(SameDayFactors(alone, lone, 0, options)->empty());
}

TEST(DemandTest, RefusesWhatHasNoMeaning) {
  const auto good = Fleet(1, 1, 70, [](std::size_t, int, int) { return 3; });
  const DemandOptions options{.as_of_day = 70};
  const DemandModel model = *FitDemand(good, options);
  const auto code = [&](const DemandHour& hour) {
    auto fleet = good;
    fleet[0].hours.push_back(hour);
    return FitDemand(fleet, options).status().code();
  };
  EXPECT_EQ(code({.day = 1, .cell = kDemandCells - 1, .up_hours = 1, .starts = 1, .utilisation = 1}),
            absl::StatusCode::kOk);
  EXPECT_EQ(code({.day = 1, .cell = kDemandCells, .up_hours = 1}), kInvalid);
  EXPECT_EQ(code({.day = 1, .cell = -1, .up_hours = 1}), kInvalid);
  EXPECT_EQ(code({.day = 1, .cell = 0, .up_hours = 1.5}), kInvalid);
  EXPECT_EQ(code({.day = 1, .cell = 0, .up_hours = 1, .starts = -1}), kInvalid);
  EXPECT_EQ(code({.day = 1, .cell = 0, .up_hours = 0, .starts = 1}), kInvalid);
  EXPECT_EQ(code({.day = 1, .cell = 0, .up_hours = 1, .starts = 0, .utilisation = 2}), kInvalid);
  EXPECT_EQ(code({.day = -100'000, .cell = 0, .up_hours = 1}), absl::StatusCode::kOk);  // too old to matter
  auto long_ago = good;
  long_ago[0].hours.push_back({.day = -100'000, .cell = 0, .up_hours = 1});
  EXPECT_EQ(FitDemand(long_ago, {.as_of_day = 70, .half_life_weeks = 1e6}).status().code(), kInvalid);
  auto elsewhere = good;
  elsewhere[0].site = 1;
  EXPECT_EQ(FitDemand(elsewhere, options).status().code(), kInvalid);
  EXPECT_EQ(FitDemand({}, options).status().code(), kInvalid);
  EXPECT_EQ(FitDemand(good, {.as_of_day = 0}).status().code(), kInvalid);
  EXPECT_EQ(FitDemand(good, {.as_of_day = kDemandDaysMin - 1}).status().code(), kInvalid);
  EXPECT_TRUE(FitDemand(good, {.as_of_day = kDemandDaysMin}).ok());
  EXPECT_EQ(FitDemand(good, {.as_of_day = 70, .half_life_weeks = 0}).status().code(), kInvalid);
  EXPECT_EQ(FitDemand(good, {.as_of_day = 70, .utilisation_max = -0.1}).status().code(), kInvalid);
  EXPECT_EQ(SameDayFactors(model, good, 1, options).status().code(), kInvalid);
  EXPECT_EQ(SameDayFactors(model, {}, 0, options).status().code(), kInvalid);
}

}  // namespace
}  // namespace bayward
