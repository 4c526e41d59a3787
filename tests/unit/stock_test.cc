#include "server/figures/stock.h"

#include <cmath>
#include <limits>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// tests/oracles/stock.R: qnbinom, pnbinom, dnbinom.
TEST(StockOracleTest, LevelsProbabilitiesAndShortagesAgreeWithR) {
  for (const testing::OracleRow& row : testing::ReadOracle("stock.csv")) {
    LeadTimeDemand demand{.mean = row.Number("mean"), .shape = {}};
    if (std::isfinite(row.Number("shape"))) demand.shape = row.Number("shape");
    const absl::StatusOr<StockLevel> level = SmallestStock(demand, row.Number("target"));
    ASSERT_TRUE(level.ok()) << level.status();
    EXPECT_EQ(level->stock, static_cast<int>(row.Number("stock")));
    EXPECT_NEAR(level->probability_enough, row.Number("enough"), 1e-12);
    EXPECT_NEAR(level->probability_one_less, row.Number("one_less"), 1e-12);
    EXPECT_NEAR(level->expected_short, row.Number("short"), 1e-10 * (1 + demand.mean));
    EXPECT_NEAR(level->expected_short_one_more, row.Number("short_one_more"), 1e-10 * (1 + demand.mean));
  }
}

// Poisson(2): P(0), P(<= 1), … = .1353 .4060 .6767 .8571 .9473 .9834. Worked by hand.
TEST(StockTest, OnePieceMoreThanTheDemandThatTheTargetCovers) {
  const LeadTimeDemand demand{.mean = 2, .shape = {}};
  EXPECT_EQ(SmallestStock(demand, 0.94)->stock, 5);
  EXPECT_EQ(SmallestStock(demand, 0.95)->stock, 6);
  const StockLevel level = *SmallestStock(demand, 0.95);
  EXPECT_GE(level.probability_enough, 0.95);
  EXPECT_LT(level.probability_one_less, 0.95);
}

TEST(StockTest, ATieIsEnough) {
  const LeadTimeDemand demand{.mean = 2, .shape = 2};  // geometric-like: P(0) = 1/4, P(<= 1) = 1/2
  EXPECT_EQ(SmallestStock(demand, 0.25 - 1e-9)->stock, 1);
  EXPECT_EQ(SmallestStock(demand, 0.25 + 1e-9)->stock, 2);
  EXPECT_EQ(SmallestStock({.mean = 0, .shape = {}}, 0.99)->stock, 1);
}

TEST(StockTest, MoreVariableDemandNeedsMore) {
  EXPECT_GT(SmallestStock({.mean = 5, .shape = 0.5}, 0.95)->stock,
            SmallestStock({.mean = 5, .shape = {}}, 0.95)->stock);
  // A huge shape is Poisson.
  EXPECT_EQ(SmallestStock({.mean = 5, .shape = 1e15}, 0.95)->stock,
            SmallestStock({.mean = 5, .shape = {}}, 0.95)->stock);
}

TEST(StockTest, NothingInStockIsShortOfEveryPiece) {
  const StockLevel none = *JudgeStock({.mean = 3, .shape = 1.5}, 0);
  EXPECT_DOUBLE_EQ(none.expected_short, 3);
  EXPECT_EQ(none.probability_enough, 0);
  // One more saves P(demand > 0).
  EXPECT_NEAR(none.expected_short - none.expected_short_one_more,
              1 - JudgeStock({.mean = 3, .shape = 1.5}, 1)->probability_enough, 1e-12);
}

TEST(StockTest, WashesSavedAreThePiecesNotMissed) {
  const StockLevel level = *JudgeStock({.mean = 3, .shape = {}}, 2);
  EXPECT_NEAR(*WashesSavedByOneMore(level, 40), 40 * (level.expected_short - level.expected_short_one_more),
              1e-12);
  EXPECT_EQ(WashesSavedByOneMore(level, -1).status().code(), kInvalid);
  EXPECT_EQ(*WashesSavedByOneMore(level, 0), 0);
}

TEST(StockTest, SummedDemandKeepsMeanAndVariance) {
  const PartUse uses[] = {
      {.rate = {.shape = 2, .inverse_scale = 1000}, .exposure = 300, .parts_per_failure = 0.5},
      {.rate = {.shape = 6, .inverse_scale = 500}, .exposure = 300, .parts_per_failure = 1}};
  const LeadTimeDemand sum = *SumLeadTimeDemand(uses);
  EXPECT_NEAR(sum.mean, 0.3 + 3.6, 1e-12);
  EXPECT_NEAR(sum.mean + sum.mean * sum.mean / *sum.shape, 0.3 + 0.09 / 2 + 3.6 + 3.6 * 3.6 / 6, 1e-12);
  const LeadTimeDemand one = *SumLeadTimeDemand({uses, 1});
  EXPECT_NEAR(*one.shape, 2, 1e-12);
  EXPECT_EQ(SumLeadTimeDemand({})->mean, 0);
  EXPECT_EQ(SumLeadTimeDemand({})->shape, std::nullopt);
}

TEST(StockTest, RefusesWhatHasNoMeaning) {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  for (const double mean : {-1.0, nan, 1e6}) {
    EXPECT_EQ(SmallestStock({.mean = mean, .shape = {}}, 0.9).status().code(), kInvalid) << mean;
  }
  for (const double target : {0.0, 1.0, nan}) {
    EXPECT_EQ(SmallestStock({.mean = 1, .shape = {}}, target).status().code(), kInvalid) << target;
  }
  for (const double shape : {0.0, -1.0, nan}) {
    EXPECT_EQ(SmallestStock({.mean = 1, .shape = shape}, 0.9).status().code(), kInvalid) << shape;
  }
  EXPECT_EQ(JudgeStock({.mean = 1, .shape = {}}, -1).status().code(), kInvalid);
  EXPECT_TRUE(JudgeStock({.mean = 1, .shape = {}}, 0).ok());
  EXPECT_TRUE(SmallestStock({.mean = 100'000, .shape = 0.5}, 0.999).ok());
  PartUse use{.rate = {.shape = 1, .inverse_scale = 1}, .exposure = 1};
  EXPECT_TRUE(SumLeadTimeDemand({&use, 1}).ok());
  use.parts_per_failure = 1.5;
  EXPECT_EQ(SumLeadTimeDemand({&use, 1}).status().code(), kInvalid);
  use = {.rate = {.shape = 0, .inverse_scale = 1}, .exposure = 1};
  EXPECT_EQ(SumLeadTimeDemand({&use, 1}).status().code(), kInvalid);
  use = {.rate = {.shape = 1, .inverse_scale = 1}, .exposure = -1};
  EXPECT_EQ(SumLeadTimeDemand({&use, 1}).status().code(), kInvalid);
}

}  // namespace
}  // namespace bayward
