#include "server/figures/comparison.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

const std::vector<ExposedCount>& Machines() {
  static const std::vector<ExposedCount> machines = {{4, 2},  {0, 1.5}, {9, 2}, {3, 2.5},
                                                     {40, 2}, {1, 0.1}, {5, 3}};
  return machines;
}

FairComparison Compare(const std::vector<ExposedCount>& machines, const ComparisonOptions& options = {}) {
  const auto comparison = CompareMachines(machines, options);
  EXPECT_TRUE(comparison.ok() && comparison->has_value()) << comparison.status();
  return comparison.ok() ? comparison->value_or(FairComparison()) : FairComparison();
}

TEST(ComparisonTest, RatesAreHeldBackTowardsTheKindAndLieWithinTheirLimits) {
  const FairComparison comparison = Compare(Machines());
  for (const ComparedMachine& machine : comparison.machines) {
    EXPECT_LT(machine.lower, machine.mean);
    EXPECT_LT(machine.mean, machine.upper);
    EXPECT_GE(machine.expected_rank, machine.rank_lower);
    EXPECT_LE(machine.expected_rank, machine.rank_upper);
  }
  EXPECT_LT(comparison.machines[4].mean, comparison.machines[4].raw);
  EXPECT_GT(comparison.machines[1].mean, comparison.machines[1].raw);
  // One failure in a short time is no evidence as forty in a long one.
  EXPECT_LT(comparison.machines[5].probability_worse, comparison.machines[4].probability_worse);
  EXPECT_GT(comparison.machines[4].probability_worse, 0.8);
  EXPECT_NEAR(comparison.pooled_rate, 62 / 13.1, 1e-12);
  EXPECT_LT(comparison.kind_rate_lower, comparison.kind_rate);
  EXPECT_LT(comparison.kind_rate, comparison.kind_rate_upper);
}

TEST(ComparisonTest, ExpectedRanksSumToThatOfAllRanks) {
  const FairComparison comparison = Compare(Machines());
  double sum = 0;
  for (const ComparedMachine& machine : comparison.machines) sum += machine.expected_rank;
  EXPECT_NEAR(sum, 7 * 8 / 2.0, 1e-9);
  EXPECT_LT(comparison.machines[4].expected_rank, 1.5);  // the worst is the first
}

TEST(ComparisonTest, OrderOfMachinesAndUnitOfExposureAreOfNoConsequence) {
  const FairComparison as_is = Compare(Machines());
  std::vector<ExposedCount> turned(Machines().rbegin(), Machines().rend());
  for (ExposedCount& machine : turned) machine.exposure *= 1000;
  const FairComparison other = Compare(turned);
  for (std::size_t i = 0; i < Machines().size(); ++i) {
    const ComparedMachine& a = as_is.machines[i];
    const ComparedMachine& b = other.machines[Machines().size() - 1 - i];
    EXPECT_NEAR(b.mean * 1000 / a.mean, 1, 1e-4);
    EXPECT_NEAR(b.lower * 1000 / a.lower, 1, 2e-3);
    EXPECT_NEAR(b.upper * 1000 / a.upper, 1, 2e-3);
    EXPECT_NEAR(b.probability_worse, a.probability_worse, 1e-4);
    EXPECT_NEAR(b.expected_rank, a.expected_rank, 0.15);  // of other draws
  }
}

TEST(ComparisonTest, TheSeedDecidesTheRanksAlone) {
  const FairComparison first = Compare(Machines(), {.draws = 500, .seed = 3});
  const FairComparison again = Compare(Machines(), {.draws = 500, .seed = 3});
  const FairComparison other = Compare(Machines(), {.draws = 500, .seed = 4});
  bool ranks_differ = false;
  for (std::size_t i = 0; i < Machines().size(); ++i) {
    EXPECT_EQ(first.machines[i].expected_rank, again.machines[i].expected_rank);
    EXPECT_EQ(first.machines[i].mean, other.machines[i].mean);
    EXPECT_EQ(first.machines[i].upper, other.machines[i].upper);
    ranks_differ = ranks_differ || first.machines[i].expected_rank != other.machines[i].expected_rank;
  }
  EXPECT_TRUE(ranks_differ);
}

TEST(ComparisonTest, MoreFailuresInTheSameTimeAreWorse) {
  std::vector<ExposedCount> machines;
  for (int count = 0; count < 60; ++count) machines.push_back({count, 2.0});
  const FairComparison comparison = Compare(machines);
  for (std::size_t i = 1; i < machines.size(); ++i) {
    EXPECT_GT(comparison.machines[i].mean, comparison.machines[i - 1].mean);
    EXPECT_GT(comparison.machines[i].lower, comparison.machines[i - 1].lower);
    EXPECT_GT(comparison.machines[i].upper, comparison.machines[i - 1].upper);
    EXPECT_GE(comparison.machines[i].probability_worse, comparison.machines[i - 1].probability_worse - 1e-12);
  }
}

TEST(ComparisonTest, MachinesThatAreAllAlikeAndSeenLongAreNotWorse) {
  const FairComparison comparison = Compare(std::vector<ExposedCount>(30, ExposedCount{200, 10}));
  for (const ComparedMachine& machine : comparison.machines) {
    EXPECT_NEAR(machine.mean, 20, 0.1);
    EXPECT_LT(machine.probability_worse, 1e-6);
  }
  EXPECT_NEAR(comparison.kind_rate, 20, 0.1);
}

TEST(ComparisonTest, LimitsHoldTheirShareOfThePosterior) {
  const auto likelihood = *GammaPoissonLikelihood::Make(Machines());
  const auto nodes = *IntegrateGammaPoisson(likelihood, FlatMeanHalfNormalCv);
  const double weights = std::accumulate(nodes.begin(), nodes.end(), 0.0,
                                         [](double sum, const GammaNode& node) { return sum + node.weight; });
  EXPECT_NEAR(weights, 1, 1e-12);
  for (const ExposedCount& machine : Machines()) {
    for (const double share : {0.001, 0.025, 0.5, 0.975, 0.999}) {
      const double rate = PosteriorRateQuantile(nodes, machine, share);
      EXPECT_NEAR(PosteriorRateCdf(nodes, machine, rate), share, 3e-4);
    }
  }
}

TEST(ComparisonTest, TooFewToSayIsNoError) {
  EXPECT_FALSE(CompareMachines({})->has_value());
  EXPECT_FALSE(CompareMachines(std::vector<ExposedCount>{{5, 1}})->has_value());
  EXPECT_FALSE(CompareMachines(std::vector<ExposedCount>{{0, 1}, {0, 2}})->has_value());
  EXPECT_TRUE(CompareMachines(std::vector<ExposedCount>{{0, 1}, {1, 2}})->has_value());
}

TEST(ComparisonTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const std::vector<ExposedCount>& machines, const ComparisonOptions& options = {}) {
    return CompareMachines(machines, options).status().code();
  };
  EXPECT_EQ(code({{1, 1}, {-1, 1}}), kInvalid);
  EXPECT_EQ(code({{1, 1}, {1, 0}}), kInvalid);
  EXPECT_EQ(code({{1, 1}, {1, kNan}}), kInvalid);
  EXPECT_EQ(code({{1, 1}, {1'000'001, 1}}), kInvalid);
  EXPECT_EQ(code(Machines(), {.confidence = 1}), kInvalid);
  EXPECT_EQ(code(Machines(), {.worse_factor = 0}), kInvalid);
  EXPECT_EQ(code(Machines(), {.draws = 99}), kInvalid);
  EXPECT_EQ(code(Machines(), {.prior = nullptr}), kInvalid);
  // Flat in the coefficient of variation too: two machines cannot bound it.
  EXPECT_EQ(code({{0, 1}, {1, 1}}, {.prior = [](double, double) { return 0.0; }}), kInvalid);
  EXPECT_EQ(
      code(Machines(), {.prior = [](double, double) { return -std::numeric_limits<double>::infinity(); }}),
      kInvalid);
  EXPECT_EQ(code(Machines(), {.draws = 100}), absl::StatusCode::kOk);
}

TEST(ComparisonTest, ExtremesStayFinite) {
  for (const std::vector<ExposedCount>& machines :
       {std::vector<ExposedCount>{{1, 1e-9}, {0, 1e9}},
        std::vector<ExposedCount>{{20'000, 1}, {0, 1}, {0, 1}},
        std::vector<ExposedCount>{{20'000, 1}, {19'980, 1}}}) {
    const FairComparison comparison = Compare(machines);
    for (const ComparedMachine& machine : comparison.machines) {
      EXPECT_TRUE(std::isfinite(machine.mean));
      EXPECT_TRUE(std::isfinite(machine.upper));
      EXPECT_GE(machine.lower, 0);
      EXPECT_LE(machine.lower, machine.upper);
    }
  }
}

TEST(WorseListTest, EntersWhileTheMeanChanceOfErrorIsAtMostATenth) {
  // 1 − P: 0.01, 0.05, 0.2 → means 0.01, 0.03, 0.0867; with 0.3: 0.14.
  const WorseList list = *ListWorse(std::vector<double>{0.7, 0.95, 0.1, 0.8, 0.99});
  EXPECT_EQ(list.listed, (std::vector<std::size_t>{4, 1, 3}));
  EXPECT_EQ(list.entered, list.listed);
  EXPECT_TRUE(list.left.empty());
  EXPECT_NEAR(list.expected_false_share, 0.26 / 3, 1e-12);
}

TEST(WorseListTest, NobodyIsListedOnWeakEvidence) {
  const WorseList list = *ListWorse(std::vector<double>{0.89, 0.6, 0.2});
  EXPECT_TRUE(list.listed.empty());
  EXPECT_EQ(list.expected_false_share, 0);
}

TEST(WorseListTest, OnceListedStaysUntilBelowOneHalf) {
  const std::vector<double> probabilities = {0.99, 0.5, 0.499, 0.6};
  const WorseList list = *ListWorse(probabilities, {true, true, true, false});
  EXPECT_EQ(list.listed, (std::vector<std::size_t>{0, 1}));
  EXPECT_TRUE(list.entered.empty());
  EXPECT_EQ(list.left, (std::vector<std::size_t>{2}));
  EXPECT_NEAR(list.expected_false_share, 0.51 / 2, 1e-12);
}

TEST(WorseListTest, KeptMachinesDoNotKeepOthersOut) {
  const WorseList list = *ListWorse(std::vector<double>{0.5, 0.5, 0.95}, {true, true, false});
  EXPECT_EQ(list.listed, (std::vector<std::size_t>{2, 0, 1}));
  EXPECT_EQ(list.entered, (std::vector<std::size_t>{2}));
}

TEST(WorseListTest, RefusesWhatHasNoMeaning) {
  const std::vector<double> fine = {0.5, 1, 0};
  EXPECT_EQ(ListWorse(std::vector<double>{0.5, 1.1}).status().code(), kInvalid);
  EXPECT_EQ(ListWorse(std::vector<double>{kNan}).status().code(), kInvalid);
  EXPECT_EQ(ListWorse(fine, {true}).status().code(), kInvalid);
  EXPECT_EQ(ListWorse(fine, {}, 1).status().code(), kInvalid);
  EXPECT_EQ(ListWorse(fine, {}, -0.1).status().code(), kInvalid);
  EXPECT_TRUE(ListWorse(fine, {}, 0).ok());
  EXPECT_TRUE(ListWorse({}).ok());
}

}  // namespace
}  // namespace bayward
