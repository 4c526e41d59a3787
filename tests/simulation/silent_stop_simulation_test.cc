// How often chance alone puts a working machine on the list of silent stops, with a fixed seed.
#include <array>
#include <cmath>
#include <iostream>
#include <random>
#include <vector>

#include "gtest/gtest.h"
#include "server/figures/silent_stop.h"

namespace bayward {
namespace {

// Fifty machines, 91 open hours a week in 91 cells, half a wash to three an hour, rates known as after some
// weeks. Looked at once an hour; a machine is listed afresh each hour that its silence lasts.
TEST(SilentStopSimulationTest, ChanceListsAtMostOneMachineHourAWeek) {
  constexpr int kMachines = 50;
  constexpr int kHours = 91;
  constexpr int kWeeks = 120;
  constexpr double kMachineHours = kMachines * kHours;
  std::mt19937_64 random(21);
  std::vector<GammaRate> cells;
  for (int hour = 0; hour < kHours; ++hour) {
    const double rate = 0.5 + 2.5 * std::sin((hour % 13) * 0.2416);
    cells.push_back({.shape = 5 * rate, .inverse_scale = 5});
  }
  int listed = 0;
  for (int machine_week = 0; machine_week < kMachines * kWeeks; ++machine_week) {
    std::vector<SilentHour> silent;
    for (int hour = 0; hour < kHours; ++hour) {
      const GammaRate& cell = cells[static_cast<std::size_t>(hour)];
      const double day_factor = hour / 13 % 2 == 0 ? 0.7 : 1.3;
      std::gamma_distribution<double> rate(cell.shape, 1 / cell.inverse_scale);
      const double starts = rate(random) * day_factor;
      silent.push_back({.cell = hour, .hours = 1, .day_factor = day_factor});
      if (std::poisson_distribution<int>(starts)(random) > 0) silent.clear();
      const auto stop = ComputeSilentStop({.machine = {1}, .cells = cells, .hours = silent}, kMachineHours);
      ASSERT_TRUE(stop.ok());
      listed += stop->listed ? 1 : 0;
    }
  }
  const double weekly = static_cast<double>(listed) / kWeeks;
  std::cout << "listed by chance: " << listed << " machine-hours in " << kWeeks << " weeks\n";
  EXPECT_GT(listed, 0);  // the list is not empty by construction
  EXPECT_LT(weekly, 1 + 3 / std::sqrt(static_cast<double>(kWeeks)));  // three Poisson standard errors
}

}  // namespace
}  // namespace bayward
