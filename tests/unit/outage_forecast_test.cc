#include "server/figures/outage_forecast.h"

#include <cmath>
#include <numeric>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// tests/oracles/outage_forecast.R: dnbinom, pnbinom.
TEST(OutageForecastOracleTest, LawScoresAndTransformAgreeWithR) {
  int forecasts = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("outage_forecast.csv")) {
    if (row.Text("what") != "forecast") continue;
    ++forecasts;
    const GammaRate rate{.shape = row.Number("shape"), .inverse_scale = row.Number("inverse_scale")};
    const absl::StatusOr<CountDistribution> forecast = ForecastOutages(rate, row.Numbers("exposures"));
    ASSERT_TRUE(forecast.ok()) << forecast.status();
    const int count = static_cast<int>(row.Number("count"));
    EXPECT_NEAR(forecast->Probability(count) / row.Number("probability"), 1, 1e-10);
    EXPECT_NEAR(forecast->AtMost(count), row.Number("at_most"), 1e-10);
    EXPECT_NEAR(LogScore(*forecast, count), row.Number("log"), 1e-9);
    EXPECT_NEAR(RankedProbabilityScore(*forecast, count), row.Number("ranked"),
                1e-9 * (1 + row.Number("ranked")));
    EXPECT_EQ(forecast->Quantile(0.5), static_cast<int>(row.Number("median")));
    EXPECT_EQ(forecast->Quantile(0.9), static_cast<int>(row.Number("q90")));
    PitHistogram pit(10);
    pit.Add(*forecast, count);
    const std::vector<double> heights = pit.Heights();
    EXPECT_NEAR(heights[0] + heights[1] + heights[2], row.Number("pit"), 1e-9);
  }
  EXPECT_GT(forecasts, 150);
}

ForecastHistory HistoryOf(const std::vector<double>& counts, const std::vector<double>& exposures,
                          std::size_t periods) {
  ForecastHistory history(counts.size() / periods);
  for (std::size_t i = 0; i < counts.size(); ++i) {
    history[i / periods].push_back({.had = {static_cast<int>(counts[i]), exposures[i]}, .foreseen = {}});
  }
  return history;
}

// The same script: the slope of a Poisson regression with a level for each machine.
TEST(OutageForecastOracleTest, KindTrendAgreesWithPoissonRegression) {
  int trends = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("outage_forecast.csv")) {
    if (row.Text("what") != "trend") continue;
    ++trends;
    const auto periods = static_cast<std::size_t>(row.Number("periods"));
    const std::optional<double> b =
        FitKindTrend(HistoryOf(row.Numbers("counts"), row.Numbers("exposures"), periods), periods);
    ASSERT_TRUE(b.has_value());
    EXPECT_NEAR(*b, row.Number("value"), 2e-6);
  }
  EXPECT_EQ(trends, 60);
}

TEST(OutageForecastTest, ForecastSumsToOneAndHasItsMean) {
  const double exposures[] = {0, 100, 336};
  const CountDistribution forecast = *ForecastOutages({.shape = 3, .inverse_scale = 400}, exposures);
  EXPECT_NEAR(std::accumulate(forecast.probability.begin(), forecast.probability.end(), 0.0), 1, 1e-8);
  double mean = 0;
  for (std::size_t k = 0; k < forecast.probability.size(); ++k) {
    mean += static_cast<double>(k) * forecast.probability[k];
  }
  EXPECT_NEAR(mean, forecast.mean, 1e-6);
  EXPECT_NEAR(forecast.mean, 3.0 / 400 * (0 + 100 + 336) / 3, 1e-12);
}

TEST(OutageForecastTest, WithoutExposureThereAreNoOutages) {
  const double none[] = {0};
  const CountDistribution forecast = *ForecastOutages({.shape = 3, .inverse_scale = 400}, none);
  EXPECT_EQ(forecast.Probability(0), 1);
  EXPECT_EQ(forecast.Quantile(0.99), 0);
  EXPECT_EQ(LogScore(forecast, 0), 0);
  EXPECT_NEAR(LogScore(forecast, 1), -std::log(1e-9),
              1e-12);  // what is thought impossible costs, but not all
  EXPECT_DOUBLE_EQ(RankedProbabilityScore(forecast, 3), 3);
}

TEST(OutageForecastTest, LargeMeansEndWhereALittleIsLeft) {
  const double exposure[] = {1};
  const CountDistribution forecast = *ForecastOutages({.shape = 9000, .inverse_scale = 1}, exposure);
  EXPECT_NEAR(std::accumulate(forecast.probability.begin(), forecast.probability.end(), 0.0), 1, 2e-9);
  EXPECT_LT(forecast.probability.size(), 11000U);
}

TEST(OutageForecastTest, PitHeightsSumToOneAndSpreadOverTheJump) {
  PitHistogram pit(4);
  EXPECT_TRUE(pit.Heights().empty());
  CountDistribution even;
  even.probability = {0.5, 0.5};
  pit.Add(even, 0);  // uniform on 0 … ½
  pit.Add(even, 1);
  const std::vector<double> heights = pit.Heights();
  for (const double height : heights) EXPECT_NEAR(height, 0.25, 1e-12);
  EXPECT_EQ(pit.forecasts(), 2);
}

TEST(RatesTest, OwnAndPooledTakeHalfAFailure) {
  const ExposedCount machines[] = {{3, 100}, {0, 50}, {0, 0}};
  const std::vector<GammaRate> own = *EstimateRates(machines, RateRule::kOwn);
  EXPECT_DOUBLE_EQ(own[0].shape, 3.5);
  EXPECT_DOUBLE_EQ(own[0].inverse_scale, 100);
  EXPECT_DOUBLE_EQ(own[1].shape, 0.5);
  const std::vector<GammaRate> pooled = *EstimateRates(machines, RateRule::kPooled);
  EXPECT_DOUBLE_EQ(pooled[1].shape, 3.5);
  EXPECT_DOUBLE_EQ(pooled[1].inverse_scale, 150);
  EXPECT_DOUBLE_EQ(own[2].shape, pooled[2].shape);  // a new one has the kind's
}

TEST(RatesTest, ShrunkLieBetweenOwnAndKind) {
  const ExposedCount machines[] = {{0, 100}, {2, 100}, {4, 100}, {30, 100}, {0, 0}};
  const std::vector<GammaRate> shrunk = *EstimateRates(machines, RateRule::kShrunk);
  const auto mean = [&](std::size_t i) { return shrunk[i].shape / shrunk[i].inverse_scale; };
  EXPECT_GT(mean(0), 0);
  EXPECT_LT(mean(0), mean(1));
  EXPECT_LT(mean(3), 0.30);
  EXPECT_GT(mean(3), 0.20);
  EXPECT_NEAR(mean(4), 0.09, 0.02);  // the new one: the kind's mean
}

TEST(RatesTest, MachinesThatDoNotDifferAreOne) {
  const ExposedCount alike[] = {{2, 100}, {2, 100}, {2, 100}};
  EXPECT_DOUBLE_EQ((*EstimateRates(alike, RateRule::kShrunk))[0].shape, 6.5);
  const ExposedCount none[] = {{0, 100}, {0, 100}};
  EXPECT_DOUBLE_EQ((*EstimateRates(none, RateRule::kShrunk))[0].inverse_scale, 200);
  const ExposedCount single[] = {{5, 100}};
  EXPECT_DOUBLE_EQ((*EstimateRates(single, RateRule::kShrunk))[0].shape, 5.5);
}

TEST(ForecastAheadTest, ForeseenExposureIsUsedElseTheMeanOfServicePeriods) {
  ForecastHistory history = HistoryOf({1, 2, 0, 0, 3, 1}, {300, 200, 999, 0, 100, 999}, 3);
  const std::vector<std::vector<double>> foreseen = {{150}, {}};
  const std::vector<CountDistribution> forecasts =
      *ForecastPeriodAhead(history, 2, RateRule::kPooled, false, foreseen);
  EXPECT_NEAR(forecasts[0].mean, 6.5 / 600 * 150, 1e-12);
  EXPECT_NEAR(forecasts[1].mean, 6.5 / 600 * 100, 1e-12);  // the period out of service does not count
}

TEST(ForecastAheadTest, TheFutureIsNotUsed) {
  ForecastHistory history = HistoryOf({1, 2, 0, 4, 3, 1}, {300, 200, 300, 200, 100, 300}, 3);
  const std::vector<std::vector<double>> foreseen = {{150}, {150}};
  const auto before = *ForecastPeriodAhead(history, 2, RateRule::kShrunk, true, foreseen);
  history[0][2].had = {90, 10};
  const auto after = *ForecastPeriodAhead(history, 2, RateRule::kShrunk, true, foreseen);
  EXPECT_EQ(before[0].probability, after[0].probability);
  EXPECT_EQ(before[1].probability, after[1].probability);
}

TEST(ForecastAheadTest, AGrowingKindIsForecastHigherWithItsTrend) {
  const ForecastHistory history = HistoryOf({1, 2, 4, 8, 2, 3, 9, 17}, {1, 1, 1, 1, 1, 1, 1, 1}, 4);
  const std::vector<std::vector<double>> foreseen = {{1}, {1}};
  const double flat = (*ForecastPeriodAhead(history, 4, RateRule::kPooled, false, foreseen))[0].mean;
  const double rising = (*ForecastPeriodAhead(history, 4, RateRule::kPooled, true, foreseen))[0].mean;
  EXPECT_NEAR(flat, 46.5 / 8, 1e-9);
  EXPECT_GT(rising, 15);
}

TEST(ForecastAheadTest, AKindWithFewOutagesHasNoTrend) {
  EXPECT_EQ(FitKindTrend(HistoryOf({1, 0, 1, 0}, {1, 1, 1, 1}, 4), 4), std::nullopt);
  EXPECT_EQ(FitKindTrend(HistoryOf({9, 9}, {1, 1}, 2), 1), std::nullopt);
  EXPECT_EQ(FitKindTrend(HistoryOf({0, 0, 0, 60}, {1, 1, 1, 1}, 4), 4), std::nullopt);  // none is best
  EXPECT_NEAR(FitKindTrend(HistoryOf({3, 3, 3, 3}, {1, 1, 1, 1}, 4), 4).value_or(9), 0, 1e-6);
}

TEST(OutageForecastTest, RefusesWhatHasNoMeaning) {
  const GammaRate rate{.shape = 1, .inverse_scale = 1};
  const double good[] = {1};
  const double negative[] = {-1};
  const double huge[] = {1e9};
  EXPECT_TRUE(ForecastOutages(rate, good).ok());
  EXPECT_EQ(ForecastOutages(rate, {}).status().code(), kInvalid);
  EXPECT_EQ(ForecastOutages(rate, negative).status().code(), kInvalid);
  EXPECT_EQ(ForecastOutages(rate, huge).status().code(), kInvalid);
  EXPECT_EQ(ForecastOutages({.shape = 0, .inverse_scale = 1}, good).status().code(), kInvalid);
  const ExposedCount unexposed[] = {{1, 0}, {1, 1}};
  EXPECT_EQ(EstimateRates(unexposed, RateRule::kOwn).status().code(), kInvalid);
  const ExposedCount nothing[] = {{0, 0}};
  EXPECT_EQ(EstimateRates(nothing, RateRule::kOwn).status().code(), kInvalid);
  const ForecastHistory history = HistoryOf({1, 2}, {1, 1}, 2);
  const std::vector<std::vector<double>> foreseen = {{1}};
  EXPECT_TRUE(ForecastPeriodAhead(history, 2, RateRule::kOwn, false, foreseen).ok());
  EXPECT_EQ(ForecastPeriodAhead(history, 0, RateRule::kOwn, false, foreseen).status().code(), kInvalid);
  EXPECT_EQ(ForecastPeriodAhead(history, 3, RateRule::kOwn, false, foreseen).status().code(), kInvalid);
  EXPECT_EQ(ForecastPeriodAhead(history, 2, RateRule::kOwn, false, {}).status().code(), kInvalid);
  EXPECT_EQ(
      ForecastPeriodAhead(HistoryOf({0, 2}, {0, 1}, 2), 1, RateRule::kOwn, false, foreseen).status().code(),
      kInvalid);
}

}  // namespace
}  // namespace bayward
