// What the trend verdict promises, counted over simulated machines with fixed seeds. A share is expected
// between the two bounds stated, each widened by 4 Monte Carlo standard errors; what was found stands in the
// comments.
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <numbers>
#include <random>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "gtest/gtest.h"
#include "server/figures/trend_verdict.h"
#include "tests/support/trend_simulation.h"

namespace bayward {
namespace {

double Exponential(Random& random, double mean) {
  return std::exponential_distribution<double>(1 / mean)(random);
}

// First failures at a steady rate; each comes back at once with chance 1/2, again and again: clusters of mean
// size 2, their members `gap` of the window apart on average. Clusters begun before the window reach into it.
EventHistory SteadyClusters(Random& random, double clusters, double gap) {
  EventHistory history{.at = {}, .end = 1, .ended_by = Termination::kTime};
  const double before = 20 * gap;
  for (int n = Poisson(random, clusters * (1 + before)); n > 0; --n) {
    double at = Uniform(random) * (1 + before) - before;
    do {
      if (at > 0 && at < 1) history.at.push_back(at);
      at += Exponential(random, gap);
    } while (Uniform(random) < 0.5);
  }
  std::sort(history.at.begin(), history.at.end());
  return history;
}

bool Flagged(const TrendVerdict& verdict) {
  return verdict.trend == Trend::kImproving || verdict.trend == Trend::kWorsening;
}

// Flagged machines, either way, at 5 % (2.5 % a side), and those judged at all.
struct Count {
  int flagged = 0;
  int judged = 0;
};
constexpr TrendOptions kBothSides5{.apart = 0, .level = 0.025};

// Counts of clusters of geometric size with mean 2 vary 3 times as much as single events, so that |z| > 1.96
// has the chance P(|Z| > 1.96/sqrt(3)) = 25.8 % in the limit; clusters that spread over the window bring it
// down. Found: 25.2, 25.2 and 22.8 % as the members lie 0.2, 1 and 3 % of the window apart.
TEST(TrendSimulationTest, LaplaceTakesClustersForTrends) {
  for (const double gap : {0.002, 0.01, 0.03}) {
    Random random(1);
    int flagged = 0;
    int judged = 0;
    for (int i = 0; i < 10000; ++i) {
      const EventHistory history = SteadyClusters(random, 20, gap);
      if (history.at.size() < 6) continue;
      ++judged;
      if (std::abs(Value(LaplaceTest(history)).statistic) > 1.959964) ++flagged;
    }
    ExpectShare(flagged, judged, 0.23, 0.258, absl::StrCat("clusters with gap ", gap));
  }
}

Count JudgeClusters(std::uint64_t seed, double clusters, double gap, double apart) {
  Random random(seed);
  Count count;
  for (int i = 0; i < 10000; ++i) {
    const TrendVerdict verdict =
        Value(JudgeTrend(SteadyClusters(random, clusters, gap), {}, {.apart = apart, .level = 0.025}));
    if (verdict.trend == Trend::kTooFewToSay) continue;
    ++count.judged;
    if (Flagged(verdict)) ++count.flagged;
  }
  return count;
}

// Found: 2.8 to 4.7 %; the cautious end with 8 clusters. Declustered by less than twice the usual gap, part
// of the clusters stays: 8.5 % with 60 clusters whose gaps are twice `apart`, still a third of Laplace's.
TEST(TrendSimulationTest, DeclusteredLewisRobinsonKeepsItsLevel) {
  for (const double clusters : {8.0, 12.0, 20.0, 60.0}) {
    for (const double gap : {0.002, 0.005}) {
      const Count count = JudgeClusters(2, clusters, gap, 0.01);
      ExpectShare(count.flagged, count.judged, 0.025, 0.05,
                  absl::StrCat("Lewis-Robinson declustered at 5 %: ", clusters, " clusters, gap ", gap));
    }
  }
  const Count apart_too_short = JudgeClusters(2, 60, 0.02, 0.01);
  ExpectShare(apart_too_short.flagged, apart_too_short.judged, 0.06, 0.09,
              "declustered by half the usual gap");
}

// Few events make the Student law cautious, in the far tail most, never more generous than promised. Found:
// 3.8 to 5.0 % at 5 %, 0.1 to 0.7 % at 1 %.
TEST(TrendSimulationTest, OneSidedLevelsWithoutClusters) {
  for (const double mean : {6.0, 8.0, 12.0, 20.0, 40.0}) {
    Random random(3);
    int judged = 0;
    int improving = 0;
    int worsening = 0;
    int improving_1 = 0;
    int worsening_1 = 0;
    for (int i = 0; i < 20000; ++i) {
      const TrendVerdict verdict =
          Value(JudgeTrend(SteadyPoisson(random, mean), {}, {.apart = 0, .level = 0.05}));
      if (verdict.trend == Trend::kTooFewToSay) continue;
      ++judged;
      improving += verdict.trend == Trend::kImproving;
      worsening += verdict.trend == Trend::kWorsening;
      improving_1 += verdict.p_improving < 0.01;
      worsening_1 += verdict.p_worsening < 0.01;
    }
    const std::string events = absl::StrCat(mean, " events, ");
    ExpectShare(improving, judged, 0.04, 0.05, events + "improving at 5 %");
    ExpectShare(worsening, judged, 0.04, 0.05, events + "worsening at 5 %");
    ExpectShare(improving_1, judged, 0.003, 0.01, events + "improving at 1 %");
    ExpectShare(worsening_1, judged, 0.0005, 0.01, events + "worsening at 1 %");
  }
}

// A region whose machines share a season, half a year in weeks from its trough to its peak; own exposures
// vary from week to week and machine to machine.
struct Region {
  std::vector<std::vector<double>> exposure;  // of each machine in each week
  std::vector<std::vector<int>> events;
  std::vector<ComparedHistory> machines;
};
constexpr int kWeeks = 26;

Region SeasonalRegion(Random& random, int machines, double events_each, double amplitude, double own_growth) {
  Region region;
  for (int m = 0; m < machines; ++m) {
    std::vector<double> exposure;
    std::vector<int> events;
    EventHistory history{.at = {}, .end = 0, .ended_by = Termination::kTime};
    for (int week = 0; week < kWeeks; ++week) {
      const double u = (week + 0.5) / kWeeks;
      exposure.push_back(100 * (0.5 + Uniform(random)));
      const double own = m == 0 ? 1 + own_growth * (2 * u - 1) : 1;
      const double rate =
          events_each / (100.0 * kWeeks) * (1 - amplitude * std::cos(std::numbers::pi * u)) * own;
      events.push_back(Poisson(random, rate * exposure.back()));
      std::vector<double> at;
      for (int k = 0; k < events.back(); ++k) at.push_back(history.end + Uniform(random) * exposure.back());
      std::sort(at.begin(), at.end());
      history.at.insert(history.at.end(), at.begin(), at.end());
      history.end += exposure.back();
    }
    region.exposure.push_back(exposure);
    region.events.push_back(events);
    region.machines.push_back({.history = history, .comparison = {}});
  }
  return region;
}

void CompareEachWithTheOthers(Region& region) {
  for (std::size_t m = 0; m < region.machines.size(); ++m) {
    std::vector<ComparisonPeriod> periods;
    for (std::size_t week = 0; week < kWeeks; ++week) {
      ComparisonPeriod period{.own_exposure = region.exposure[m][week]};
      for (std::size_t other = 0; other < region.machines.size(); ++other) {
        if (other == m) continue;
        period.others_exposure += region.exposure[other][week];
        period.others_events += region.events[other][week];
      }
      periods.push_back(period);
    }
    region.machines[m].comparison = Value(ComparisonRate(periods));
  }
}

// The rate of all swings from 0.4 of its mean to 1.6. Found: 31 % flagged each by itself (46 % by Laplace), 4
// % compared; of machines whose own rate grows twentyfold besides, 34 to 42 %: the intervals of a strong
// trend vary much, which costs Lewis-Robinson power.
TEST(TrendSimulationTest, SharedSeasonIsNoTrendOfEach) {
  for (const int machines : {10, 40}) {
    Random random(4);
    int judged = 0;
    int plain = 0;
    int plain_laplace = 0;
    int compared = 0;
    int grown = 0;
    int grown_found = 0;
    for (int i = 0; i < 8000 / machines; ++i) {
      Region region = SeasonalRegion(random, machines, 20, 0.6, i % 2 == 0 ? 0 : 0.9);
      CompareEachWithTheOthers(region);
      for (std::size_t m = 0; m < region.machines.size(); ++m) {
        const ComparedHistory& machine = region.machines[m];
        const TrendVerdict without = Value(JudgeTrend(machine.history, {}, kBothSides5));
        const TrendVerdict with = Value(JudgeTrend(machine.history, machine.comparison, kBothSides5));
        if (with.trend == Trend::kTooFewToSay) continue;
        if (m == 0 && i % 2 == 1) {
          ++grown;
          grown_found += with.trend == Trend::kWorsening;
          continue;
        }
        ++judged;
        plain += Flagged(without);
        plain_laplace += std::abs(Value(LaplaceTest(machine.history)).statistic) > 1.959964;
        compared += Flagged(with);
      }
    }
    const std::string among = absl::StrCat(machines, " machines with a season, ");
    ExpectShare(plain, judged, 0.30, 0.40, among + "each by itself");
    ExpectShare(plain_laplace, judged, 0.30, 0.50, among + "Laplace");
    ExpectShare(compared, judged, 0.03, 0.05, among + "compared");
    ExpectShare(grown_found, grown, 0.3, 0.6, among + "own growth found");
  }
}

// 20 of 100 machines wear by a power law of shape 2.5. Found: 5.4 % of a list wrong on average where 10 % is
// allowed (of 100 machines 80 are steady, so that 8 % would use it up), 77 % of the worn ones found.
TEST(TrendSimulationTest, FleetListKeepsItsFalseDiscoveryRate) {
  Random random(8);
  double false_share = 0;
  int found = 0;
  int grown = 0;
  const int fleets = 200;
  for (int fleet = 0; fleet < fleets; ++fleet) {
    std::vector<ComparedHistory> machines;
    for (int m = 0; m < 100; ++m) {
      EventHistory history = SteadyPoisson(random, 30);
      if (m < 20) {
        for (double& at : history.at) at = std::pow(at, 1 / 2.5);
      }
      machines.push_back({.history = history, .comparison = {}});
    }
    const FleetTrend trend =
        Value(JudgeFleet(SteadyPoisson(random, 500), machines, {.apart = 0, .level = 0.1}));
    int listed = 0;
    int wrong = 0;
    for (std::size_t m = 0; m < trend.own.size(); ++m) {
      const bool worsening = trend.own[m].trend == Trend::kWorsening;
      listed += worsening;
      wrong += worsening && m >= 20;
      found += worsening && m < 20;
    }
    grown += 20;
    if (listed > 0) false_share += static_cast<double>(wrong) / listed / fleets;
  }
  EXPECT_LE(false_share, 0.1);
  EXPECT_GE(false_share, 0.02);  // the list is not merely empty of steady machines
  ExpectShare(found, grown, 0.7, 0.85, "worn machines found");
}

// A failure a week, a window of 90 days. Made anew each day, a verdict has 365 chances a year to be wrong.
// Found: 92 % of steady machines flagged at least once by Laplace at 5 %, 89 % by the verdict, and 3.2 % of
// monthly verdicts.
TEST(TrendSimulationTest, VerdictsMadeDailyFlagNearlyEverySteadyMachine) {
  Random random(6);
  const int machines = 400;
  int daily_laplace = 0;
  int daily = 0;
  int monthly = 0;
  int months = 0;
  for (int i = 0; i < machines; ++i) {
    std::vector<double> at;
    for (double day = Exponential(random, 7); day < 365 + 90; day += Exponential(random, 7))
      at.push_back(day);
    bool by_laplace = false;
    bool by_day = false;
    for (int day = 0; day < 365; ++day) {
      EventHistory window{.at = {}, .end = 90, .ended_by = Termination::kTime};
      for (const double event : at) {
        if (event > day && event < day + 90) window.at.push_back(event - day);
      }
      if (window.at.size() < 6) continue;
      by_laplace = by_laplace || std::abs(Value(LaplaceTest(window)).statistic) > 1.959964;
      const bool flagged = Flagged(Value(JudgeTrend(window, {}, kBothSides5)));
      by_day = by_day || flagged;
      if (day % 30 == 0 && day < 360) {
        ++months;
        monthly += flagged;
      }
    }
    daily_laplace += by_laplace;
    daily += by_day;
  }
  ExpectShare(daily_laplace, machines, 0.91, 0.91, "flagged within a year by a daily Laplace test at 5 %");
  ExpectShare(daily, machines, 0.7, 0.91, "by a daily verdict");
  ExpectShare(monthly, months, 0.03, 0.05, "of monthly verdicts");
}

}  // namespace
}  // namespace bayward
