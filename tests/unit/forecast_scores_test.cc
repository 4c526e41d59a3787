#include "server/figures/forecast_scores.h"

#include <numeric>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// tests/oracles/outage_forecast.R: t.test, paired.
TEST(ForecastScoresOracleTest, PairedDifferencesAgreeWithR) {
  int pairs = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("outage_forecast.csv")) {
    if (row.Text("what") != "paired") continue;
    ++pairs;
    const absl::StatusOr<PairedDifference> difference =
        ComparePaired(row.Numbers("first"), row.Numbers("second"));
    ASSERT_TRUE(difference.ok());
    EXPECT_NEAR(difference->mean, row.Number("value"), 1e-12);
    EXPECT_NEAR(*difference->lower, row.Number("lower"), 1e-9);
    EXPECT_NEAR(*difference->upper, row.Number("upper"), 1e-9);
    EXPECT_NEAR(*difference->p_better, row.Number("p"), 1e-10);
  }
  EXPECT_EQ(pairs, 60);
}

ForecastHistory Growing(double factor, std::size_t periods) {
  ForecastHistory history(4);
  for (std::size_t i = 0; i < history.size(); ++i) {
    double mean = 2.0 + 3.0 * static_cast<double>(i);
    for (std::size_t p = 0; p < periods; ++p, mean *= factor) {
      history[i].push_back({.had = {static_cast<int>(mean), 1.0}, .foreseen = {1.0}});
    }
  }
  return history;
}

TEST(ForecastScoresTest, ATrendEntersOnlyAfterItHasBeatenTheShrunkRate) {
  const ForecastScores rising = **ScoreForecasts(Growing(1.25, 12), 2);
  EXPECT_TRUE(rising.trend_enters);
  EXPECT_LT(rising.with_trend.mean.log, rising.shrunk.mean.log);
  ASSERT_EQ(rising.origins.size(), 10U);
  // Up to kTrendOriginsMin origins it has not proved itself.
  for (std::size_t o = 0; o < static_cast<std::size_t>(kTrendOriginsMin); ++o) {
    EXPECT_EQ(rising.used.by_origin[o].log, rising.shrunk.by_origin[o].log) << o;
  }
  EXPECT_EQ(rising.used.by_origin.back().log, rising.with_trend.by_origin.back().log);
  EXPECT_FALSE((*ScoreForecasts(Growing(1, 12), 2))->trend_enters);
  EXPECT_FALSE((*ScoreForecasts(Growing(1.25, 7), 2))->trend_enters);  // 5 origins
}

TEST(ForecastScoresTest, MeansAndTransformCoverAllOriginsAndMachines) {
  const ForecastScores scores = **ScoreForecasts(Growing(1, 8), 3);
  EXPECT_EQ(scores.origins, (std::vector<std::size_t>{3, 4, 5, 6, 7}));
  EXPECT_EQ(scores.forecasts, 20);
  EXPECT_NEAR(std::accumulate(scores.pit.begin(), scores.pit.end(), 0.0), 1, 1e-12);
  double sum = 0;
  for (const OriginScore& origin : scores.shrunk.by_origin) sum += origin.ranked;
  EXPECT_NEAR(scores.shrunk.mean.ranked, sum / 5, 1e-12);
  EXPECT_NEAR(scores.shrunk_against_own.log.mean, scores.shrunk.mean.log - scores.own.mean.log, 1e-12);
}

TEST(ForecastScoresTest, MachinesOutOfServiceAreNotScored) {
  ForecastHistory history = Growing(1, 6);
  history[2][5].had = {0, 0};
  EXPECT_EQ((*ScoreForecasts(history, 4))->forecasts, 7);
  for (std::vector<ForecastPeriod>& machine : history) machine[5].had = {0, 0};
  EXPECT_EQ((*ScoreForecasts(history, 4))->origins.size(), 1U);
}

TEST(ForecastScoresTest, NoOriginIsTooFewToSay) {
  EXPECT_FALSE(ScoreForecasts(Growing(1, 3), 3)->has_value());
  EXPECT_TRUE(ScoreForecasts(Growing(1, 3), 2)->has_value());
  EXPECT_FALSE(ScoreForecasts({}, 1)->has_value());
  EXPECT_EQ((*ScoreForecasts(Growing(1, 3), 2))->shrunk_against_own.log.standard_error, std::nullopt);
}

TEST(ForecastScoresTest, RefusesWhatHasNoMeaning) {
  EXPECT_EQ(ScoreForecasts(Growing(1, 3), 0).status().code(), kInvalid);
  ForecastHistory uneven = Growing(1, 3);
  uneven[1].pop_back();
  EXPECT_EQ(ScoreForecasts(uneven, 1).status().code(), kInvalid);
  EXPECT_TRUE(ScoreForecasts(Growing(1, 3), 1).ok());
  EXPECT_EQ(ComparePaired({}, {}).status().code(), kInvalid);
  const double one[] = {1.0};
  EXPECT_TRUE(ComparePaired(one, one).ok());
  EXPECT_EQ(ComparePaired(one, {}).status().code(), kInvalid);
}

}  // namespace
}  // namespace bayward
