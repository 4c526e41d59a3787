#include "server/figures/fleet_trend.h"

#include <algorithm>
#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kDay = 1440;
constexpr int kDays = 1092;

// A machine always up but for half an hour at each failure, which a wash follows.
TrendMachine Machine(const std::string& group, const std::vector<int>& minutes) {
  HistoryBuilder builder = HistoryBuilder().Observed(0, kOpen).ObservedUntil(kDays * kDay);
  for (const int minute : minutes) builder.Fault(kJam, minute, minute + 30).Wash(minute + 31, minute + 35);
  const MachineTimeline timeline(builder.Build(), AlwaysOpen(), Span(0, kDays * kDay), false);
  const Interval window = Span(0, kDays * kDay);
  return {group, window, UpClock(timeline, window), FailuresWithin(timeline, window, true)};
}

// So many failures by chance, crowded towards the end for power > 1.
std::vector<int> Failures(int count, double power, unsigned seed) {
  std::mt19937 random(seed);
  std::vector<int> minutes;
  for (int i = 0; i < count; ++i) {
    const double even = static_cast<double>(random() % 100'000) / 100'000;
    minutes.push_back(static_cast<int>(std::pow(even, 1 / power) * (kDays - 1) * kDay));
  }
  std::sort(minutes.begin(), minutes.end());
  return minutes;
}

JudgedFleet Judge(const std::vector<TrendMachine>& machines) {
  const auto judged = JudgeFleetTrends(machines, 0.05);
  EXPECT_TRUE(judged.ok()) << judged.status();
  return judged.value_or(JudgedFleet());
}

TEST(FleetTrendTest, AMachineThatGetsWorseAmongSteadyOnesIsSeen) {
  std::vector<TrendMachine> machines = {Machine("gantry", Failures(40, 3, 1))};
  for (unsigned seed = 2; seed < 8; ++seed) machines.push_back(Machine("gantry", Failures(30, 1, seed)));
  const JudgedFleet judged = Judge(machines);
  EXPECT_EQ(judged.machines[0].verdict.trend, Trend::kWorsening);
  EXPECT_TRUE(judged.machines[0].verdict.compared);
  for (std::size_t i = 1; i < machines.size(); ++i) EXPECT_EQ(judged.machines[i].verdict.trend, Trend::kSteady) << i;
}

TEST(FleetTrendTest, WhatAllShareIsTheFleetsTrendAndNoMachines) {
  std::vector<TrendMachine> machines;
  for (unsigned seed = 1; seed < 13; ++seed) machines.push_back(Machine("gantry", Failures(40, 2, seed)));
  const JudgedFleet judged = Judge(machines);
  EXPECT_EQ(judged.fleet.trend, Trend::kWorsening);
  for (const JudgedMachine& machine : judged.machines) EXPECT_EQ(machine.verdict.trend, Trend::kSteady);
}

TEST(FleetTrendTest, MachinesOfAnotherGroupAreNoComparison) {
  const JudgedFleet judged = Judge({Machine("gantry", Failures(40, 3, 1)), Machine("tunnel", Failures(30, 1, 2))});
  EXPECT_FALSE(judged.machines[0].verdict.compared);
  EXPECT_EQ(judged.machines[0].verdict.trend, Trend::kWorsening);
}

TEST(FleetTrendTest, FewFailuresSayNothing) {
  const JudgedFleet judged = Judge({Machine("gantry", {5 * kDay, 100 * kDay, 300 * kDay}), Machine("gantry", {})});
  EXPECT_EQ(judged.machines[0].verdict.trend, Trend::kTooFewToSay);
  EXPECT_EQ(judged.machines[0].verdict.events_given, 3);
  EXPECT_EQ(judged.machines[1].verdict.trend, Trend::kTooFewToSay);
}

TEST(FleetTrendTest, AFailureThatComesBackIsOne) {
  std::vector<int> minutes;
  for (int week = 0; week < 50; ++week) {
    for (int again = 0; again < 3; ++again) minutes.push_back((7 * week + 1) * kDay + 300 * again);
  }
  const JudgedFleet judged = Judge({Machine("gantry", minutes)});
  EXPECT_EQ(judged.machines[0].verdict.events_given, 150);
  EXPECT_EQ(judged.machines[0].verdict.events, 50);
}

TEST(FleetTrendTest, PooledHoursAreTheSumOfAll) {
  const JudgedFleet judged = Judge({Machine("gantry", {5 * kDay}), Machine("tunnel", {50 * kDay})});
  EXPECT_NEAR(judged.pooled.end, 2 * kDays * 24 - 1, 1e-6);
  ASSERT_EQ(judged.pooled.at.size(), 2u);
  EXPECT_NEAR(judged.pooled.at[0], 2 * 5 * 24, 1);
}

TEST(FleetTrendTest, ALevelOutsideItsRangeIsRefused) {
  EXPECT_EQ(JudgeFleetTrends({}, 0.7).status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_TRUE(JudgeFleetTrends({}, 0.05).ok());
}

}  // namespace
}  // namespace bayward::testing
