// Lost washes on simulated regions: whether 90 % intervals of the net loss cover the true one, on the
// generator that the model assumes and on others, and whether the words say to which side they fail.
//
// A region (tests/support/wash_region.h): 5 sites of 2 machines, open 14 h a day, about 3 wash starts an hour
// and machine at the busiest; days that vary for the region (coefficient of variation 20 %) and for each site
// (12 %). 20 weeks of history, then one outage of one machine at each site within a week, with the 48 h after
// it. 5 · 80 windows: a coverage of 90 % scatters by 1.5 %, somewhat more as the sites share their days.

#include <cstdint>
#include <iostream>
#include <vector>

#include "gtest/gtest.h"
#include "server/figures/loss_backtest.h"
#include "server/figures/lost_washes.h"
#include "tests/support/wash_region.h"

namespace bayward {
namespace {

using testing::Case;
using testing::Generator;
using testing::kHistoryDays;
using testing::Linked;
using testing::Outage;

struct Result {
  int windows = 0;
  int covered = 0;
  double told = 0;  // Σ net loss
  double gross = 0;
  double lost = 0;  // Σ true loss
  std::vector<JudgedBlock> hidden;  // up time
  std::vector<JudgedBlock> before;  // the up hours of the day before the outage began
  std::vector<JudgedBlock> aftermath;
  double coverage() const { return static_cast<double>(covered) / windows; }
};

JudgedBlock JudgeWindow(const DemandModel& model, const std::vector<SiteHour>& window, std::int64_t starts,
                        const DayFactors& factors, const LossOptions& options) {
  std::vector<ExposedHour> hours;
  for (const SiteHour& hour : window) {
    hours.push_back({hour.lost.machine, hour.lost.day, hour.lost.cell, hour.required_hours});
  }
  return JudgeBlock(model, hours, starts, factors, options).value();
}

void AddSite(const Case& region, std::size_t site, const DemandModel& model, const DayFactors& factors,
             const LossOptions& options, bool around, Result& result) {
  const Outage& outage = region.OutageOf(site);
  std::int64_t starts = 0;
  const int end = outage.to + kAftermathHours;
  const std::vector<SiteHour> window = region.Window(site, outage.from, end, starts);
  const NetLoss net = ComputeNetLoss(model, window, starts, factors, options).value();
  const auto lost = static_cast<double>(region.Lost(site));
  ++result.windows;
  result.covered += net.all.lower <= lost && lost <= net.all.upper ? 1 : 0;
  result.told += net.all.washes;
  result.lost += lost;
  std::vector<LossHour> down;
  for (const SiteHour& hour : window) down.push_back(hour.lost);
  result.gross += ComputeGrossLoss(model, down, factors, options).value().down.washes;
  if (!around) return;
  const std::vector<SiteHour> before = region.Window(site, outage.from / 24 * 24, outage.from, starts);
  result.before.push_back(JudgeWindow(model, before, starts, factors, options));
  const std::vector<SiteHour> after = region.Window(site, end, end + 48, starts);
  result.aftermath.push_back(JudgeWindow(model, after, starts, factors, options));
}

// `around`: also the blocks before and after outages. `backtests`: of so many of the regions the hidden
// blocks.
Result Simulate(const Generator& generator, int regions, int backtests, bool around = false) {
  Result result;
  const DemandOptions demand{.as_of_day = kHistoryDays};
  for (int r = 0; r < regions; ++r) {
    const Case region(generator, 1000 + static_cast<std::uint64_t>(r));
    const std::vector<DemandMachine> machines = region.Machines();
    const DemandModel model = FitDemand(machines, demand).value();
    const LossOptions options{.draws = 200, .seed = static_cast<std::uint64_t>(r)};
    for (std::size_t site = 0; site < generator.growing_sites; ++site) {
      const DayFactors factors = SameDayFactors(model, machines, site, demand).value();
      AddSite(region, site, model, factors, options, around, result);
    }
    if (r >= backtests) continue;
    std::vector<HiddenBlock> blocks;
    for (int day = 12 * 7; day < kHistoryDays; day += 14) {
      for (std::size_t site = 0; site < generator.growing_sites; ++site) {
        blocks.push_back({.site = site, .first_day = day + static_cast<int>(site), .days = 2});
      }
    }
    const auto judged = BacktestDemand(machines, blocks, demand, options).value();
    result.hidden.insert(result.hidden.end(), judged.begin(), judged.end());
  }
  return result;
}

LossJudgement Judged(const std::vector<JudgedBlock>& blocks, BlockKind kind) {
  return JudgeLosses(blocks, kind, 0.9).value();
}

void Tell(const char* what, const Result& result) {
  const auto show = [](const char* name, const LossJudgement& judged) {
    if (judged.blocks == 0) return;
    std::cout << "; " << name << ' ' << judged.blocks << " blocks " << judged.coverage << " bias "
              << judged.bias << " (" << judged.above << " above, " << judged.below << " below)";
  };
  std::cout << what << ": coverage " << result.coverage() << " of " << result.windows << ", told/true "
            << result.told / result.lost << ", gross/true " << result.gross / result.lost;
  show("hidden", Judged(result.hidden, BlockKind::kUpTime));
  show("before", Judged(result.before, BlockKind::kUpTime));
  show("aftermath", Judged(result.aftermath, BlockKind::kAftermath));
  std::cout << '\n';
}

constexpr int kRegions = 80;
constexpr int kBacktests = 12;  // 20 blocks each

void ExpectHolds(const Result& result) {
  EXPECT_GE(result.coverage(), 0.86);
  EXPECT_LE(result.coverage(), 0.94);
}

TEST(LossSimulationTest, CoversOnItsOwnGenerator) {
  const Result result = Simulate({}, kRegions, kBacktests, true);
  Tell("own generator", result);
  ExpectHolds(result);
  EXPECT_EQ(Judged(result.hidden, BlockKind::kUpTime).verdict, LossVerdict::kHolds);
  EXPECT_EQ(Judged(result.before, BlockKind::kUpTime).verdict, LossVerdict::kHolds);
  EXPECT_EQ(Judged(result.aftermath, BlockKind::kAftermath).verdict, LossVerdict::kHolds);
  EXPECT_NEAR(result.told / result.lost, 1, 0.1);
}

// What neighbours wash is seen at the site: the net loss knows of it, the gross one does not and is no
// interval for it.
TEST(LossSimulationTest, CoversWhereNeighboursAbsorb) {
  const Result result = Simulate({.absorbed = 0.5}, kRegions, 0);
  Tell("absorption", result);
  ExpectHolds(result);
  EXPECT_GT(result.gross / result.lost, 1.7);
}

TEST(LossSimulationTest, CoversWhereCustomersComeBackWithinTwoDays) {
  const Result result = Simulate({.absorbed = 0.2, .back_within = 0.4}, kRegions, 0);
  Tell("rebound", result);
  ExpectHolds(result);
}

TEST(LossSimulationTest, CustomersWhoComeBackLaterAreLikelyOver) {
  const Result result = Simulate({.back_later = 1}, kRegions / 2, 0, true);
  Tell("late rebound", result);
  EXPECT_LT(result.coverage(), 0.86);
  EXPECT_EQ(Judged(result.aftermath, BlockKind::kAftermath).verdict, LossVerdict::kLikelyOver);
}

// Machines that fail on the region's bad days: the other sites say that the day is bad.
TEST(LossSimulationTest, CoversWhereFailuresFollowTheRegionsWeather) {
  const Result result = Simulate({.linked = Linked::kRegionDay}, kRegions, 0);
  Tell("failures on the region's worst days", result);
  ExpectHolds(result);
}

TEST(LossSimulationTest, CoversWhereHoursComeInBursts) {
  const Result result = Simulate({.hour_shape = 3}, kRegions, 0);
  Tell("bursts", result);
  ExpectHolds(result);
}

TEST(LossSimulationTest, CoversThroughSilentTimes) {
  const Result result = Simulate({.silent = 0.2}, kRegions, kBacktests);
  Tell("silent times", result);
  ExpectHolds(result);
  EXPECT_EQ(Judged(result.hidden, BlockKind::kUpTime).verdict, LossVerdict::kHolds);
}

// The other sites cannot know of it: what is told is a sixth too much, which intervals as wide as such days
// still cover.
TEST(LossSimulationTest, CoversWhereFailuresFollowTheSitesOwnWeather) {
  const Result result = Simulate({.linked = Linked::kSiteDay}, kRegions, 0, true);
  Tell("failures on the site's worst days", result);
  ExpectHolds(result);
  EXPECT_GT(result.told / result.lost, 1.05);
  EXPECT_GT(Judged(result.before, BlockKind::kUpTime).bias, 0.05);
}

// A region that grows as a whole: the other sites say so day by day.
TEST(LossSimulationTest, CoversWhereTheRegionGrows) {
  const Result result = Simulate({.growth_per_week = 0.05}, kRegions, kBacktests);
  Tell("growth of the region", result);
  ExpectHolds(result);
  EXPECT_EQ(Judged(result.hidden, BlockKind::kUpTime).verdict, LossVerdict::kHolds);
}

TEST(LossSimulationTest, GrowthOfASiteAloneIsLikelyUnder) {
  const Result result = Simulate({.growth_per_week = 0.06, .growing_sites = 1}, kRegions, kRegions / 2);
  Tell("growth of a site alone", result);
  EXPECT_LT(result.coverage(), 0.86);
  EXPECT_EQ(Judged(result.hidden, BlockKind::kUpTime).verdict, LossVerdict::kLikelyUnder);
}

TEST(LossSimulationTest, DeclineOfASiteAloneIsLikelyOver) {
  const Result result = Simulate({.growth_per_week = -0.06, .growing_sites = 1}, kRegions, kRegions / 2);
  Tell("decline of a site alone", result);
  EXPECT_LT(result.coverage(), 0.86);
  EXPECT_EQ(Judged(result.hidden, BlockKind::kUpTime).verdict, LossVerdict::kLikelyOver);
}

// Washes of 12 minutes: hours that take all they can are left out of the estimate, which then lies too low.
TEST(LossSimulationTest, SaturationIsLikelyUnder) {
  const Result result = Simulate({.wash_hours = 0.199}, kRegions, kBacktests);
  Tell("saturation", result);
  EXPECT_LT(result.coverage(), 0.86);
  EXPECT_LT(result.told / result.lost, 0.8);
  EXPECT_EQ(Judged(result.hidden, BlockKind::kUpTime).verdict, LossVerdict::kLikelyUnder);
}

}  // namespace
}  // namespace bayward
