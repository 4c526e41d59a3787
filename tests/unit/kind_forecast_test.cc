#include "server/figures/kind_forecast.h"

#include <memory>
#include <numeric>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kHour = 60;
constexpr int kDay = 24 * kHour;
constexpr int kPeriod = 14 * kDay;
constexpr int kPeriods = 10;
constexpr int kNow = kPeriods * kPeriod;
constexpr double kPeriodHours = 14 * 24;

double Mean(const std::vector<double>& values) {
  return std::accumulate(values.begin(), values.end(), 0.0) / static_cast<double>(values.size());
}

HistoryBuilder Watched(int from = 0) {
  HistoryBuilder builder;
  builder.Observed(from, testing::kOpen).ObservedUntil(kNow);
  return builder;
}

// One outage of an hour in each period.
HistoryBuilder Steady() {
  HistoryBuilder builder = Watched();
  for (int p = 0; p < kPeriods; ++p) builder.Fault(kJam, p * kPeriod + 2 * kDay, p * kPeriod + 2 * kDay + kHour);
  return builder;
}

class KindForecastTest : public ::testing::Test {
 protected:
  // Planned: always open.
  void Add(const HistoryBuilder& builder, const Calendar& calendar = AlwaysOpen()) {
    timelines_.push_back(std::make_unique<MachineTimeline>(builder.Build(), calendar, Span(0, kNow), false));
    machines_.push_back({.timeline = timelines_.back().get(),
                         .planned = IntervalSet{Span(kNow, kNow + kPeriod)},
                         .seed = timelines_.size()});
  }

  KindForecast Forecast() { return ForecastAmong(machines_); }
  KindForecast ForecastAmong(const std::vector<ForecastMachine>& all) {
    const auto forecast = ForecastKind(machines_, all, At(kNow));
    EXPECT_TRUE(forecast.ok()) << forecast.status();
    return forecast.value_or(KindForecast());
  }

  std::vector<std::unique_ptr<MachineTimeline>> timelines_;
  std::vector<ForecastMachine> machines_;
};

// One machine: gamma(x + ½, t).
TEST_F(KindForecastTest, CountsOutagesOverUpHours) {
  Add(Steady());
  const KindForecast forecast = Forecast();
  EXPECT_EQ(forecast.periods, 10U);
  ASSERT_EQ(forecast.machines.size(), 1U);
  const double foreseen = Mean(forecast.foreseen[0]);
  EXPECT_NEAR(forecast.machines[0].mean, 10.5 / (kPeriods * (kPeriodHours - 1)) * foreseen, 1e-9);
  EXPECT_LT(foreseen, kPeriodHours);
  EXPECT_GT(foreseen, kPeriodHours - 3);  // about one outage of an hour
  EXPECT_FALSE(forecast.restorations_of_all_kinds);
}

// What a user or a deliberate act stops, what nobody saw begin, and what opening time found count as no outage.
TEST_F(KindForecastTest, CountsOnlyWhatTheMachineBeganInSight) {
  Calendar by_day = AlwaysOpen();
  for (auto& day : by_day.hours.front().days) day = {{8 * kHour, 20 * kHour}};
  Add(Watched()
          .Fault(kArm, kPeriod + 10 * kHour, kPeriod + 11 * kHour)
          .Fault(kStop, 2 * kPeriod + 10 * kHour, 2 * kPeriod + 11 * kHour)
          .Fault(kMains, 3 * kPeriod + 10 * kHour, 3 * kPeriod + 11 * kHour)
          .Found(kJam, 4 * kPeriod + 10 * kHour, 4 * kPeriod + 11 * kHour)
          .Fault(kJam, 5 * kPeriod + 6 * kHour, 5 * kPeriod + 9 * kHour)
          .Fault(kJam, 6 * kPeriod + 10 * kHour, 6 * kPeriod + 11 * kHour),
      by_day);
  const KindForecast forecast = Forecast();
  const double up = kPeriods * 14 * 12 - 6;
  EXPECT_NEAR(forecast.machines[0].mean, 1.5 / up * Mean(forecast.foreseen[0]), 1e-9);
}

// Of the time outside its own outages it was up in three quarters; the rest it was closed. About one outage of an
// hour is to come, give or take one.
TEST_F(KindForecastTest, ForeseesAsMuchUpTimeAsThereWas) {
  HistoryBuilder builder = Steady();
  for (int p = 0; p < kPeriods; ++p) builder.Closed(p * kPeriod + 7 * kDay, p * kPeriod + 7 * kDay + 84 * kHour);
  Add(builder);
  EXPECT_NEAR(Mean(Forecast().foreseen[0]), 0.75 * (kPeriodHours - 1), 1.5);
}

TEST_F(KindForecastTest, AMachineThatIsDownHasFewerUpHoursAhead) {
  HistoryBuilder long_ones = Watched();
  for (int p = 0; p < kPeriods; ++p) long_ones.Fault(kJam, p * kPeriod + kDay, p * kPeriod + 3 * kDay);
  Add(long_ones);
  HistoryBuilder down = long_ones;
  Add(down.Fault(kLeak, kNow - kDay, testing::kOpen));
  const KindForecast forecast = Forecast();
  // All took two days; this one has a day to go.
  EXPECT_NEAR(Mean(forecast.foreseen[0]) - Mean(forecast.foreseen[1]), 24, 6);
  EXPECT_LT(forecast.machines[1].mean, forecast.machines[0].mean * 1.1);
}

TEST_F(KindForecastTest, TakesAsManyPeriodsAsAnyWasUpIn) {
  Add(Watched(7 * kPeriod - kDay));
  Add(Watched(9 * kPeriod));
  const KindForecast forecast = Forecast();
  EXPECT_EQ(forecast.periods, 4U);
  EXPECT_FALSE(forecast.scores.has_value());
  EXPECT_STREQ(ScoreVerdict(forecast.scores), "too few to say");
  EXPECT_EQ(forecast.machines.size(), 2U);
}

TEST_F(KindForecastTest, NothingIsForecastWhereNoneWasEverUp) {
  Add(HistoryBuilder().ObservedUntil(kNow));
  const KindForecast forecast = Forecast();
  EXPECT_EQ(forecast.periods, 0U);
  EXPECT_TRUE(forecast.machines.empty());
}

// One outage in half an hour is no rate of seven hundred in two weeks.
TEST_F(KindForecastTest, SomeMinutesTellNothing) {
  Add(Watched(kNow - 30).Fault(kJam, kNow - 20, kNow - 10));
  EXPECT_EQ(Forecast().periods, 0U);
  Add(Watched(kNow - 300).Fault(kJam, kNow - 20, kNow - 10));
  EXPECT_EQ(Forecast().periods, 1U);
}

// A kind with few restorations takes the curve of all: its machine is down, and elsewhere an outage takes four hours.
TEST_F(KindForecastTest, AKindWithFewRestorationsLendsTheCurveOfAll) {
  HistoryBuilder others = Watched();
  for (int p = 0; p < kPeriods; ++p) others.Fault(kJam, p * kPeriod + kDay, p * kPeriod + kDay + 4 * kHour);
  Add(others);
  Add(Watched().Fault(kJam, kNow - kHour, testing::kOpen));
  const std::vector<ForecastMachine> all = machines_;
  machines_.erase(machines_.begin());
  const KindForecast lent = ForecastAmong(all);
  EXPECT_TRUE(lent.restorations_of_all_kinds);
  EXPECT_NEAR(Mean(lent.foreseen[0]), kPeriodHours - 3, 3);
  // Alone it has nothing to go by.
  EXPECT_EQ(Mean(Forecast().foreseen[0]), 0);
}

// What came in the last period changes no forecast of an earlier one.
TEST_F(KindForecastTest, ForecastsOfThePastKnowNothingOfWhatCameLater) {
  Add(Steady());
  Add(Watched().Fault(kLeak, 3 * kPeriod, 3 * kPeriod + 5 * kHour));
  const auto before = Forecast().scores;
  machines_.clear();
  timelines_.clear();
  Add(Steady());
  Add(Watched()
          .Fault(kLeak, 3 * kPeriod, 3 * kPeriod + 5 * kHour)
          .Fault(kLeak, 9 * kPeriod + kDay, 9 * kPeriod + 9 * kDay)
          .Fault(kLeak, 9 * kPeriod + 11 * kDay, testing::kOpen));
  const auto after = Forecast().scores;
  ASSERT_TRUE(before.has_value() && after.has_value());
  ASSERT_EQ(before->used.by_origin.size(), 6U);
  for (std::size_t i = 0; i < 5; ++i) {
    EXPECT_EQ(before->used.by_origin[i].log, after->used.by_origin[i].log) << i;
    EXPECT_EQ(before->used.by_origin[i].ranked, after->used.by_origin[i].ranked) << i;
  }
  EXPECT_NE(before->used.by_origin[5].log, after->used.by_origin[5].log);
}

TEST(ScoreVerdictTest, SaysWhetherPlainAveragesWereBeaten) {
  const auto verdict = [](double own, double own_reach, double pooled, double pooled_reach) {
    ForecastScores scores;
    const auto set = [](PairedDifference& difference, double mean, double reach) {
      difference.mean = mean;
      difference.lower = mean - reach;
      difference.upper = mean + reach;
    };
    set(scores.used_against_own.log, own, own_reach);
    set(scores.used_against_pooled.log, pooled, pooled_reach);
    return std::string(ScoreVerdict(scores));
  };
  EXPECT_EQ(verdict(-0.1, 0.05, -0.2, 0.1), "better than both plain averages");
  EXPECT_EQ(verdict(-0.1, 0.2, -0.2, 0.1), "ahead of both plain averages, by no more than chance may give");
  EXPECT_EQ(verdict(-0.1, 0.05, 0.01, 0.1), "no better than a plain average so far");
  EXPECT_EQ(verdict(0.1, 0.05, -0.2, 0.1), "worse than a plain average so far");
  EXPECT_STREQ(ScoreVerdict(std::nullopt), "too few to say");
  EXPECT_STREQ(ScoreVerdict(ForecastScores()), "too few to say");
}

}  // namespace
}  // namespace bayward::testing
