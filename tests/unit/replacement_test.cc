#include "server/figures/replacement.h"

#include <cmath>
#include <limits>
#include <string>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// tests/oracles/replacement.R, by discounting each payment.
TEST(ReplacementOracleTest, YearlyPriceAgreesWithDiscountedPayments) {
  int prices = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("replacement.csv")) {
    if (row.Text("what") != "annuity") continue;
    ++prices;
    const absl::StatusOr<double> yearly =
        YearlyPrice(row.Number("price"), row.Number("resale"), row.Number("years"), row.Number("interest"));
    ASSERT_TRUE(yearly.ok()) << yearly.status();
    EXPECT_NEAR(*yearly / row.Number("value"), 1, 1e-11);
  }
  EXPECT_EQ(prices, 150);
}

// A loan of 100,000 at 5 % over 10 years: 12,950.46 a year (capital recovery factor 0.129505; value from
// memory, recomputed).
TEST(ReplacementPublishedTest, CapitalRecoveryFactor) {
  EXPECT_NEAR(*YearlyPrice(100'000, 0, 10, 0.05), 12'950.457, 1e-3);
}

ReplacementInput Input() {
  ReplacementInput input;
  input.failures = 20;
  input.keep = {
      .rate = {.shape = 20.5, .inverse_scale = 4000}, .exposure = 4000, .cost_mean = 500, .fixed = 1000};
  input.renew = {
      .rate = {.shape = 5, .inverse_scale = 4000}, .exposure = 4000, .cost_mean = 400, .fixed = 800};
  input.price = 60'000;
  input.resale = 5'000;
  input.years = 10;
  input.interest = 0.04;
  return input;
}

// The same script: pnbinom and pgamma. Four standard errors of the draws.
TEST(ReplacementOracleTest, ChancesAgreeWithR) {
  int cases = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("replacement.csv")) {
    if (row.Text("what") != "dearer") continue;
    ++cases;
    ReplacementInput input;
    input.failures = 8;
    input.keep = {.rate = {.shape = row.Number("shape"), .inverse_scale = row.Number("inverse_scale")},
                  .exposure = row.Number("exposure"),
                  .cost_mean = row.Number("cost"),
                  .fixed = row.Number("fixed")};
    input.renew.rate = {.shape = 1, .inverse_scale = 1};
    input.price = row.Number("price");  // one year, no interest: the yearly price
    input.years = 1;
    input.draws = 20'000;
    const ReplacementFigures figures = **ComputeReplacement(input);
    const auto error = [&](double p) { return 4 * std::sqrt(p * (1 - p) / input.draws) + 1e-9; };
    EXPECT_NEAR(figures.probability_keep_dearer, row.Number("value"), error(row.Number("value")));
    EXPECT_NEAR(figures.probability_keep_dearer_on_average, row.Number("average"),
                error(row.Number("average")));
    EXPECT_NEAR(*figures.break_even_failures, (input.price - input.keep.fixed) / input.keep.cost_mean, 1e-9);
  }
  EXPECT_EQ(cases, 60);
}

TEST(ReplacementTest, AtTheBreakEvenPriceBothCostTheSame) {
  ReplacementInput input = Input();
  for (const double interest : {0.0, 0.04}) {
    input.interest = interest;
    input.price = 60'000;
    const ReplacementFigures figures = **ComputeReplacement(input);
    EXPECT_NEAR(figures.keep.mean, 1000 + 20.5 * 500, 1e-9);
    EXPECT_NEAR(figures.renew.mean, figures.yearly_price + 800 + 5 * 400, 1e-9);
    input.price = *figures.break_even_price;
    const ReplacementFigures even = **ComputeReplacement(input);
    EXPECT_NEAR(even.keep.mean, even.renew.mean, 1e-6);
    EXPECT_NEAR(*even.break_even_failures, 20.5, 1e-9);
    EXPECT_NEAR(even.probability_keep_dearer_on_average, 0.5, 0.06);
  }
}

TEST(ReplacementTest, NoBreakEvenWhereThereIsNone) {
  ReplacementInput input = Input();
  input.keep.cost_mean = 0;
  const ReplacementFigures free_failures = **ComputeReplacement(input);
  EXPECT_EQ(free_failures.break_even_failures, std::nullopt);
  EXPECT_EQ(free_failures.break_even_price, std::nullopt);  // even a free machine costs more
  EXPECT_EQ(free_failures.probability_keep_dearer, 0);
  input = Input();
  input.keep.fixed = 50'000;
  EXPECT_EQ(*(*ComputeReplacement(input))->break_even_failures, 0);
}

TEST(ReplacementTest, SpreadOfCostsWidensTheYearButKeepsItsMean) {
  ReplacementInput input = Input();
  const ReplacementFigures steady = **ComputeReplacement(input);
  input.keep.cost_cv = 2;
  const ReplacementFigures spread = **ComputeReplacement(input);
  EXPECT_DOUBLE_EQ(steady.keep.mean, spread.keep.mean);
  EXPECT_LT(spread.keep.lower, steady.keep.lower);
  EXPECT_GT(spread.keep.upper, steady.keep.upper);
}

TEST(ReplacementTest, SameSeedSameFigures) {
  ReplacementInput input = Input();
  input.keep.cost_cv = 1;
  const ReplacementFigures first = **ComputeReplacement(input);
  const ReplacementFigures again = **ComputeReplacement(input);
  EXPECT_EQ(first.probability_keep_dearer, again.probability_keep_dearer);
  EXPECT_EQ(first.keep.upper, again.keep.upper);
  input.seed = 2;
  EXPECT_NE(first.keep.upper, (*ComputeReplacement(input))->keep.upper);
}

TEST(ReplacementTest, SevenFailuresAreTooFew) {
  ReplacementInput input = Input();
  input.failures = 7;
  EXPECT_FALSE(ComputeReplacement(input)->has_value());
  input.failures = 8;
  EXPECT_TRUE(ComputeReplacement(input)->has_value());
}

TEST(ReplacementTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const ReplacementInput& input) { return ComputeReplacement(input).status().code(); };
  EXPECT_EQ(code(Input()), absl::StatusCode::kOk);
  ReplacementInput input = Input();
  input.failures = -1;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.keep.cost_mean = -1;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.renew.cost_cv = 11;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.keep.rate.shape = 0;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.keep.exposure = 1e12;
  EXPECT_EQ(code(input), kInvalid);
  input = Input();
  input.draws = 10;
  EXPECT_EQ(code(input), kInvalid);
  EXPECT_EQ(YearlyPrice(-1, 0, 1, 0).status().code(), kInvalid);
  EXPECT_EQ(YearlyPrice(1, 2, 1, 0).status().code(), kInvalid);
  EXPECT_EQ(YearlyPrice(1, 0, 0, 0).status().code(), kInvalid);
  EXPECT_EQ(YearlyPrice(1, 0, 1, 5).status().code(), kInvalid);
  EXPECT_EQ(YearlyPrice(1, 0, 1, std::numeric_limits<double>::quiet_NaN()).status().code(), kInvalid);
  EXPECT_TRUE(YearlyPrice(1, 1, 100, 1).ok());
}

// The same script: the least of (renewal + failure·(T/scale)^β)/T found numerically. Its place is flat, the
// cost is not.
TEST(AgePolicyOracleTest, RenewalAgeIsTheLeastCost) {
  int ages = 0;
  for (const testing::OracleRow& row : testing::ReadOracle("replacement.csv")) {
    if (row.Text("what") != "age") continue;
    ++ages;
    const AgePolicy policy = *ComputeAgePolicy({.failures = 30,
                                                .beta = row.Number("beta"),
                                                .beta_lower = 1.05,
                                                .scale = row.Number("scale"),
                                                .renewal_cost = row.Number("renewal"),
                                                .failure_cost = row.Number("cost")});
    ASSERT_EQ(policy.verdict, AgeVerdict::kAgePays);
    EXPECT_NEAR(*policy.renew_at / row.Number("value"), 1, 1e-5);
    EXPECT_NEAR(*policy.cost_rate / row.Number("average"), 1, 1e-10);
  }
  EXPECT_EQ(ages, 100);
}

TEST(AgePolicyTest, PaysOnlyWhereTheLowerLimitExceedsOne) {
  AgeInput input{
      .failures = 8, .beta = 1.8, .beta_lower = 1.0, .scale = 900, .renewal_cost = 5000, .failure_cost = 600};
  EXPECT_EQ(ComputeAgePolicy(input)->verdict, AgeVerdict::kAgeDoesNotPay);
  EXPECT_EQ(ComputeAgePolicy(input)->renew_at, std::nullopt);
  EXPECT_EQ(std::string(AgeVerdictWords(AgeVerdict::kAgeDoesNotPay)), "waiting for age does not pay");
  input.beta_lower = 1.001;
  EXPECT_EQ(ComputeAgePolicy(input)->verdict, AgeVerdict::kAgePays);
  input.failures = 7;
  EXPECT_EQ(ComputeAgePolicy(input)->verdict, AgeVerdict::kTooFew);
}

TEST(AgePolicyTest, RefusesWhatHasNoMeaning) {
  const AgeInput good{
      .failures = 8, .beta = 1.8, .beta_lower = 1.2, .scale = 900, .renewal_cost = 5000, .failure_cost = 600};
  EXPECT_TRUE(ComputeAgePolicy(good).ok());
  for (double AgeInput::*field : {&AgeInput::beta, &AgeInput::beta_lower, &AgeInput::scale,
                                  &AgeInput::renewal_cost, &AgeInput::failure_cost}) {
    AgeInput input = good;
    input.*field = 0;
    EXPECT_EQ(ComputeAgePolicy(input).status().code(), kInvalid);
  }
  AgeInput input = good;
  input.beta_lower = 2;
  EXPECT_EQ(ComputeAgePolicy(input).status().code(), kInvalid);
  input = good;
  input.failures = -1;
  EXPECT_EQ(ComputeAgePolicy(input).status().code(), kInvalid);
}

}  // namespace
}  // namespace bayward
