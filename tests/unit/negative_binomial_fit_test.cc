#include "server/statistics/negative_binomial_fit.h"

#include <cmath>
#include <limits>
#include <numeric>

#include "gtest/gtest.h"
#include "server/statistics/gamma_poisson_likelihood.h"

namespace bayward {
namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

double Sum(const std::vector<double>& values) { return std::accumulate(values.begin(), values.end(), 0.0); }

TEST(NegativeBinomialFitTest, MachinesThatDifferNoMoreThanByChanceHaveOneRate) {
  const auto fit = FitNegativeBinomial(std::vector<ExposedCount>{{4, 2}, {6, 3}, {8, 4}, {2, 1}});
  ASSERT_TRUE(fit.ok()) << fit.status();
  EXPECT_EQ(fit->cv, 0);
  EXPECT_EQ(fit->shape, std::nullopt);
  EXPECT_NEAR(fit->mean_rate, 2, 1e-9);
}

TEST(NegativeBinomialFitTest, LikelihoodIsAboveAnyOther) {
  const std::vector<ExposedCount> machines = {{1, 1}, {9, 2}, {0, 3}, {30, 4}, {2, 2}};
  const NegativeBinomialFit fit = *FitNegativeBinomial(machines);
  const auto likelihood = *GammaPoissonLikelihood::Make(machines);
  const double log_mean = std::log(fit.mean_rate);
  EXPECT_NEAR(likelihood.Log(log_mean, fit.cv), fit.log_likelihood, 1e-9);
  for (const double log_off : {-0.1, -0.01, 0.01, 0.1}) {
    EXPECT_LT(likelihood.Log(log_mean + log_off, fit.cv), fit.log_likelihood);
    EXPECT_LT(likelihood.Log(log_mean, fit.cv * std::exp(log_off)), fit.log_likelihood);
  }
}

TEST(NegativeBinomialFitTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const std::vector<ExposedCount>& machines) {
    return FitNegativeBinomial(machines).status().code();
  };
  EXPECT_EQ(code({}), kInvalid);
  EXPECT_EQ(code({{0, 1}, {0, 2}}), kInvalid);
  EXPECT_EQ(code({{1, 1}, {-1, 2}}), kInvalid);
  EXPECT_EQ(code({{1, 1}, {1, 0}}), kInvalid);
  EXPECT_EQ(code({{1, kNan}}), kInvalid);
  EXPECT_EQ(code({{20'001, 1}}), kInvalid);
  EXPECT_EQ(code({{1, 1}}), absl::StatusCode::kOk);
  EXPECT_EQ(code({{20'000, 1}, {0, 1}}), absl::StatusCode::kOk);
}

TEST(PredictCountsTest, SumToOneAndHaveTheMeanOfTheRate) {
  const std::vector<double> predicted = *PredictCounts(GammaRate{.shape = 2.5, .inverse_scale = 10}, 14, 400);
  EXPECT_NEAR(Sum(predicted), 1, 1e-12);
  double mean = 0;
  for (std::size_t k = 0; k < predicted.size(); ++k) mean += static_cast<double>(k) * predicted[k];
  EXPECT_NEAR(mean, 2.5 / 10 * 14, 1e-9);
}

TEST(PredictCountsTest, NoExposureHasNoFailures) {
  const std::vector<double> predicted = *PredictCounts(GammaRate{.shape = 2.5, .inverse_scale = 10}, 0, 3);
  EXPECT_EQ(predicted, (std::vector<double>{1, 0, 0, 0}));
  const NegativeBinomialFit one_rate{.mean_rate = 2};
  EXPECT_EQ(*PredictCounts(one_rate, {}, 0, 1), (std::vector<double>{1, 0}));
}

TEST(PredictCountsTest, WithOneRateTheyArePoissonWhateverTheMachineHasShown) {
  const NegativeBinomialFit fit{.mean_rate = 0.5};
  const std::vector<double> predicted = *PredictCounts(fit, {.count = 9, .exposure = 1}, 4, 2);
  EXPECT_NEAR(predicted[0], std::exp(-2), 1e-12);
  EXPECT_NEAR(predicted[1], 2 * std::exp(-2), 1e-12);
  EXPECT_NEAR(predicted[2], 2 * std::exp(-2), 1e-12);
}

TEST(PredictCountsTest, AMachineThatFailedMoreIsExpectedToFailMore) {
  const NegativeBinomialFit fit{.mean_rate = 0.5, .cv = 1, .shape = 1};
  const auto none = *PredictCounts(fit, {.count = 0, .exposure = 10}, 4, 0);
  const auto many = *PredictCounts(fit, {.count = 20, .exposure = 10}, 4, 0);
  EXPECT_GT(none[0], many[0]);
}

TEST(PredictCountsTest, RefusesWhatHasNoMeaning) {
  const GammaRate rate{.shape = 1, .inverse_scale = 1};
  EXPECT_EQ(PredictCounts(GammaRate{.shape = 0, .inverse_scale = 1}, 1, 1).status().code(), kInvalid);
  EXPECT_EQ(PredictCounts(GammaRate{.shape = 1, .inverse_scale = kNan}, 1, 1).status().code(), kInvalid);
  EXPECT_EQ(PredictCounts(rate, -1, 1).status().code(), kInvalid);
  EXPECT_EQ(PredictCounts(rate, kNan, 1).status().code(), kInvalid);
  EXPECT_EQ(PredictCounts(rate, 1, -1).status().code(), kInvalid);
  EXPECT_EQ(PredictCounts(rate, 1, 1'000'001).status().code(), kInvalid);
  EXPECT_EQ(PredictCounts(NegativeBinomialFit(), {}, 1, 1).status().code(), kInvalid);
  EXPECT_EQ(PredictCounts(NegativeBinomialFit{.mean_rate = 1}, {.count = -1}, 1, 1).status().code(),
            kInvalid);
  EXPECT_TRUE(PredictCounts(rate, 1, 1).ok());
}

}  // namespace
}  // namespace bayward
