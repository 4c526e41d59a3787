#include "server/figures/comparison.h"

#include <cmath>

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

// The ten pumps: Gaver & O'Muircheartaigh (1987), Technometrics 29:1–15, thousand hours. Data seen.
const std::vector<ExposedCount>& Pumps() {
  static const std::vector<ExposedCount> pumps = {{5, 94.3},  {1, 15.7}, {5, 62.9}, {14, 126}, {3, 5.24},
                                                  {19, 31.4}, {1, 1.05}, {1, 1.05}, {4, 2.1},  {22, 10.5}};
  return pumps;
}

struct Published {
  double mean;
  double mc_error;  // of the published mean
  double recomputed;
  double recomputed_sd;
};

// C5.1. OpenBUGS 3.2.3, Examples Volume I, "Pumps", results table, seen; recomputed by numerical integration
// elsewhere. Its model: α ~ Exp(1), β ~ Gamma(0.1, rate 1), here as a density of (log mean, cv).
TEST(ComparisonPublishedTest, TenPumpsByTheirPublishedPrior) {
  const LogPrior prior = [](double log_mean, double cv) {
    const double alpha = 1 / (cv * cv);
    const double beta = alpha / std::exp(log_mean);
    const double jacobian = std::log(beta) - 3 * std::log(cv);
    return -alpha - 0.9 * std::log(beta) - beta + jacobian;
  };
  const auto likelihood = GammaPoissonLikelihood::Make(Pumps());
  ASSERT_TRUE(likelihood.ok()) << likelihood.status();
  const auto nodes = IntegrateGammaPoisson(*likelihood, prior);
  ASSERT_TRUE(nodes.ok()) << nodes.status();
  double alpha = 0;
  double beta = 0;
  for (const GammaNode& node : *nodes) {
    alpha += node.weight * node.shape;
    beta += node.weight * node.inverse_scale;
  }
  EXPECT_NEAR(alpha, 0.6951, 2.5 * 0.0054);
  EXPECT_NEAR(alpha / 0.69717, 1, 1e-4);
  EXPECT_NEAR(beta, 0.9189, 2.5 * 0.0102);
  EXPECT_NEAR(beta / 0.92681, 1, 1e-4);
  const Published table[] = {{0.05981, 2.6e-4, 0.059818, 0.02520}, {0.1027, 9.2e-4, 0.101826, 0.07945},
                             {0.08916, 4.1e-4, 0.089242, 0.03758}, {0.1157, 3.2e-4, 0.115788, 0.03026},
                             {0.5977, 0.0032, 0.601338, 0.31601},  {0.6104, 0.0015, 0.609388, 0.13753},
                             {0.9035, 0.0072, 0.892536, 0.72442},  {0.9087, 0.0071, 0.892536, 0.72442},
                             {1.583, 0.0078, 1.586312, 0.76952},   {1.984, 0.0043, 1.989835, 0.42499}};
  for (std::size_t i = 0; i < Pumps().size(); ++i) {
    const double mean = PosteriorMeanRate(*nodes, Pumps()[i]);
    EXPECT_NEAR(mean, table[i].mean, 2.5 * table[i].mc_error) << i;
    EXPECT_NEAR(mean / table[i].recomputed, 1, 1e-4) << i;
    EXPECT_NEAR(std::sqrt(PosteriorVarianceRate(*nodes, Pumps()[i])) / table[i].recomputed_sd, 1, 5e-4) << i;
  }
}

// C5.3. Fixed shape 1.802, β ~ Gamma(0.01, rate 1): Gelfand & Smith (1990), model from memory; outputs
// computed.
TEST(ComparisonPublishedTest, TenPumpsWithFixedShape) {
  const LogPrior prior = [](double log_mean, double cv) {
    const double beta = 1 / (cv * cv) / std::exp(log_mean);
    return 0.01 * std::log(beta) - beta;
  };
  const auto likelihood = GammaPoissonLikelihood::Make(Pumps());
  const auto nodes = IntegrateGammaPoissonAtCv(*likelihood, prior, 1 / std::sqrt(1.802));
  ASSERT_TRUE(nodes.ok()) << nodes.status();
  double beta = 0;
  for (const GammaNode& node : *nodes) beta += node.weight * node.inverse_scale;
  EXPECT_NEAR(beta, 2.47305, 5e-6 * 2.5);
  const double computed[] = {0.0703, 0.1544, 0.1041, 0.1230, 0.6277, 0.6144, 0.8273, 0.8273, 1.2985, 1.8401};
  for (std::size_t i = 0; i < Pumps().size(); ++i) {
    EXPECT_NEAR(PosteriorMeanRate(*nodes, Pumps()[i]), computed[i], 5e-5) << i;
  }
}

// Raw rates, seen (also pmean.com, "Hierarchical", rounded); and two answers to "the rate of this kind":
// Σx/Σt = 0.214 of all hours together, led by the pumps that ran longest, and the gamma's mean, of a pump. By
// marginal likelihood that is 0.652 (negative_binomial_fit_test); integrated over what is not known of it,
// its median is 0.662, computed.
TEST(ComparisonPublishedTest, TenPumpsRawAndKind) {
  const auto comparison = CompareMachines(Pumps());
  ASSERT_TRUE(comparison.ok()) << comparison.status();
  ASSERT_TRUE(comparison->has_value());
  const double raw[] = {.0530, .0637, .0795, .1111, .5725, .6051, .9524, .9524, 1.9048, 2.0952};
  for (std::size_t i = 0; i < Pumps().size(); ++i) {
    EXPECT_NEAR((*comparison)->machines[i].raw, raw[i], 5e-5) << i;
  }
  EXPECT_NEAR((*comparison)->pooled_rate, 0.214, 5e-4);
  EXPECT_NEAR((*comparison)->kind_rate, 0.662, 5e-4);
}

// Brute force on a fine grid in R, the first case the ten pumps: tests/oracles/comparison.R.
class ComparisonOracleTest : public ::testing::Test {
 protected:
  struct Case {
    std::vector<ExposedCount> machines;
    FairComparison found;
    testing::OracleRow row;
  };
  static const std::vector<Case>& Cases() {
    static const std::vector<Case> cases = [] {
      std::vector<Case> made;
      for (const testing::OracleRow& row : testing::ReadOracle("comparison.csv")) {
        Case one{.machines = {}, .found = {}, .row = row};
        const std::vector<double> counts = row.Numbers("counts");
        const std::vector<double> exposures = row.Numbers("exposures");
        for (std::size_t i = 0; i < counts.size(); ++i) {
          one.machines.push_back({.count = static_cast<int>(counts[i]), .exposure = exposures[i]});
        }
        const auto comparison = CompareMachines(one.machines, {.draws = kDraws});
        EXPECT_TRUE(comparison.ok() && comparison->has_value()) << comparison.status();
        if (!comparison.ok() || !comparison->has_value()) continue;
        one.found = **comparison;
        made.push_back(std::move(one));
      }
      return made;
    }();
    return cases;
  }
  static constexpr int kDraws = 10'000;
};

TEST_F(ComparisonOracleTest, RatesAndTheirLimitsAgree) {
  for (const Case& one : Cases()) {
    const std::vector<double> mean = one.row.Numbers("mean");
    const std::vector<double> lower = one.row.Numbers("lower");
    const std::vector<double> upper = one.row.Numbers("upper");
    const std::vector<double> worse = one.row.Numbers("worse");
    const bool few = one.machines.size() <= 12;
    for (std::size_t i = 0; i < one.machines.size(); ++i) {
      const ComparedMachine& machine = one.found.machines[i];
      EXPECT_NEAR(machine.mean / mean[i], 1, few ? 1e-5 : 5e-4) << one.machines.size();
      EXPECT_NEAR(machine.lower, lower[i], 2e-3 * lower[i] + 5e-4 * mean[i]) << one.machines.size();
      EXPECT_NEAR(machine.upper, upper[i], 2e-3 * upper[i]) << one.machines.size();
      EXPECT_NEAR(machine.probability_worse, worse[i], few ? 1e-4 : 5e-4) << one.machines.size();
    }
  }
}

TEST_F(ComparisonOracleTest, RateOfTheKindAgrees) {
  for (const Case& one : Cases()) {
    EXPECT_NEAR(one.found.kind_rate / one.row.Number("kind_rate"), 1, 1e-3) << one.machines.size();
    // Each node's share lies even over its step, which widens the tails a little.
    EXPECT_NEAR(one.found.kind_rate_lower / one.row.Number("kind_lower"), 1, 0.01) << one.machines.size();
    EXPECT_NEAR(one.found.kind_rate_upper / one.row.Number("kind_upper"), 1, 0.01) << one.machines.size();
  }
}

TEST_F(ComparisonOracleTest, ExpectedRanksAgreeWithinTheirDraws) {
  int ranked = 0;
  for (const Case& one : Cases()) {
    if (one.row.Text("rank") == "NA") continue;
    const std::vector<double> rank = one.row.Numbers("rank");
    for (std::size_t i = 0; i < rank.size(); ++i) {
      // A rank's deviation is at most half its range; 4.5 standard errors.
      const double tolerance =
          4.5 * 0.5 * (static_cast<double>(rank.size()) - 1) / std::sqrt(static_cast<double>(kDraws));
      EXPECT_NEAR(one.found.machines[i].expected_rank, rank[i], tolerance);
      ++ranked;
    }
  }
  EXPECT_GT(ranked, 50);
}

}  // namespace
}  // namespace bayward
