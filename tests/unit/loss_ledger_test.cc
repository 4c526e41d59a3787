#include "server/figures/loss_ledger.h"

#include <numeric>

#include "gtest/gtest.h"
#include "server/figures/wash_price.h"
#include "tests/support/calendars.h"

namespace bayward::testing {
namespace {

DemandModel Model() {
  DemandModel model;
  model.machines.resize(2);
  for (MachineDemand& machine : model.machines) machine.cells.fill({.shape = 300, .inverse_scale = 100});
  model.own_day_shape = 50;
  return model;
}

std::vector<ExposedHour> Hours(std::size_t machine, int from, int to) {
  std::vector<ExposedHour> hours;
  for (int h = from; h < to; ++h) hours.push_back({machine, h / 24, h % kWeekCells, 1});
  return hours;
}

TEST(DrawStartsTest, ArePredictStartsBeforeItsLimits) {
  const LossOptions options{.confidence = 0.8, .draws = 500, .seed = 4};
  const auto hours = Hours(0, 0, 30);
  const DrawnStarts drawn = *DrawStarts(Model(), hours, {}, options);
  const Predicted predicted = *PredictStarts(Model(), hours, {}, options);
  EXPECT_EQ(drawn.draws.size(), 500U);
  EXPECT_EQ(drawn.mean, predicted.mean);
  EXPECT_EQ(LimitsOf(drawn.draws, 0.8), std::pair(predicted.lower, predicted.upper));
  EXPECT_DOUBLE_EQ(*ExpectedStarts(Model(), hours, {}), 90);
  EXPECT_FALSE(ExpectedStarts(Model(), Hours(2, 0, 1), {}).ok());
  EXPECT_FALSE(DrawStarts(Model(), Hours(2, 0, 1), {}, options).ok());
}

TEST(LossSumTest, PartsAddUpAndLimitsOfSumsAreNarrowerThanSumsOfLimits) {
  LossSum sum;
  Loss apart;
  double washes = 0;
  for (std::uint64_t seed = 1; seed <= 20; ++seed) {
    const DrawnStarts drawn = *DrawStarts(Model(), Hours(0, 0, 10), {}, {.draws = 1000, .seed = seed});
    sum.Add(drawn, {2.5, "EUR"});
    LossSum one;
    one.Add(drawn, {2.5, "EUR"});
    apart.lower += one.Told(0.9).lower;
    apart.upper += one.Told(0.9).upper;
    washes += drawn.mean;
  }
  const Loss told = sum.Told(0.9);
  EXPECT_NEAR(told.washes, washes, 1e-9);
  EXPECT_NEAR(told.money, 2.5 * washes, 1e-9);
  EXPECT_NEAR(told.money_upper, 2.5 * told.upper, 1e-9);
  // Of 20 independent parts the limits lie closer by the root of 20.
  EXPECT_NEAR((told.upper - told.lower) / (apart.upper - apart.lower), 1 / std::sqrt(20.0), 0.03);
  EXPECT_EQ(sum.currency(), "EUR");
}

TEST(LossSumTest, NetIsExpectedLessObservedAndMayBeBelowZero) {
  LossSum net;
  net.Add(*DrawStarts(Model(), Hours(0, 0, 10), {}, {.draws = 500}), {4, "EUR"}, 40);
  EXPECT_NEAR(net.Told(0.9).washes, -10, 1e-9);
  EXPECT_NEAR(net.Told(0.9).money, -40, 1e-9);
  EXPECT_LT(net.Told(0.9).lower, -10);
}

TEST(LossSumTest, SeveralCurrenciesAreNeverAdded) {
  const DrawnStarts drawn = *DrawStarts(Model(), Hours(0, 0, 10), {}, {.draws = 100});
  LossSum sum;
  sum.Add(drawn, {4, "EUR"});
  sum.Add(drawn, {40, "SEK"});
  EXPECT_TRUE(sum.several_currencies());
  EXPECT_EQ(sum.currency(), "");
  EXPECT_EQ(sum.Told(0.9).money, 0);
  EXPECT_NEAR(sum.Told(0.9).washes, 60, 1e-9);
  MeanLoss mean;
  mean.Add(3, {4, "EUR"});
  EXPECT_EQ(mean.money, 12);
  mean.Add(1, {std::nullopt, "SEK"});  // no price: washes alone
  EXPECT_EQ(mean.currency, "EUR");
  mean.Add(3, {4, "SEK"});
  mean.Add(3, {4, "EUR"});
  EXPECT_EQ(mean.washes, 10);
  EXPECT_EQ(mean.money, 0);
  EXPECT_EQ(mean.currency, "");
}

TEST(LossSumTest, NothingIsNothing) {
  const Loss told = LossSum().Told(0.9);
  EXPECT_EQ(told.washes, 0);
  EXPECT_EQ(told.upper, 0);
  EXPECT_EQ(LossSum().currency(), "");
}

Site PricedSite() {
  Site site;
  site.calendar = AlwaysOpen();
  site.prices = {{absl::CivilDay(2026, 1, 1), "basic", 8},
                 {absl::CivilDay(2026, 6, 1), "basic", 10},
                 {absl::CivilDay(2026, 1, 1), "best", 16}};
  return site;
}

absl::Time Noon(int month, int day) {
  return absl::FromCivil(absl::CivilHour(2026, month, day, 12), absl::UTCTimeZone());
}

TEST(WashPriceTest, EachProgrammeAtItsPriceThen) {
  const Site site = PricedSite();
  EXPECT_EQ(PriceOn(site.prices, "basic", absl::CivilDay(2025, 12, 31)), std::nullopt);
  EXPECT_EQ(PriceOn(site.prices, "basic", absl::CivilDay(2026, 5, 31)), 8);
  EXPECT_EQ(PriceOn(site.prices, "basic", absl::CivilDay(2026, 6, 1)), 10);
  EXPECT_EQ(PriceOn(site.prices, "wax", absl::CivilDay(2026, 6, 1)), std::nullopt);
  WashPrice price(site);
  price.Add(Noon(5, 31), "basic");
  price.Add(Noon(6, 1), "basic");
  price.Add(Noon(6, 2), "best");
  price.Add(Noon(6, 2), "wax");  // brings what the others do
  price.Add(Noon(3, 1), "best");  // long ago
  price.Add(Noon(6, 20), "best");  // after it
  EXPECT_NEAR(*price.MeanBefore(Noon(6, 10)), (8 + 10 + 16) / 3.0, 1e-12);
}

TEST(WashPriceTest, WithoutSalesThePricesInForceWithoutPricesNone) {
  const Site site = PricedSite();
  EXPECT_NEAR(*WashPrice(site).MeanBefore(Noon(5, 1)), 12, 1e-12);
  EXPECT_NEAR(*WashPrice(site).MeanBefore(Noon(7, 1)), 13, 1e-12);
  Site none = PricedSite();
  none.prices.clear();
  WashPrice price(none);
  price.Add(Noon(5, 1), "basic");
  EXPECT_EQ(price.MeanBefore(Noon(6, 1)), std::nullopt);
}

}  // namespace
}  // namespace bayward::testing
