#include "server/statistics/negative_binomial_fit.h"

#include "gtest/gtest.h"
#include "tests/support/oracle_table.h"

namespace bayward {
namespace {

std::vector<ExposedCount> Machines(const testing::OracleRow& row) {
  const std::vector<double> counts = row.Numbers("counts");
  const std::vector<double> exposures = row.Numbers("exposures");
  std::vector<ExposedCount> machines;
  for (std::size_t i = 0; i < counts.size(); ++i) {
    machines.push_back({.count = static_cast<int>(counts[i]), .exposure = exposures[i]});
  }
  return machines;
}

// C14.3. The ten pumps (Gaver & O'Muircheartaigh 1987, Technometrics 29:1–15; data seen). Computed: glm.nb of
// MASS 7.3-58.2 with offset log t, R 4.2.2. The gamma's mean 0.652 against Σx/Σt 0.214: a mean of pumps is no
// mean of hours.
TEST(NegativeBinomialFitPublishedTest, TenPumps) {
  const std::vector<ExposedCount> pumps = {{5, 94.3},  {1, 15.7}, {5, 62.9}, {14, 126}, {3, 5.24},
                                           {19, 31.4}, {1, 1.05}, {1, 1.05}, {4, 2.1},  {22, 10.5}};
  const absl::StatusOr<NegativeBinomialFit> fit = FitNegativeBinomial(pumps);
  ASSERT_TRUE(fit.ok()) << fit.status();
  EXPECT_NEAR(fit->mean_rate, 0.652, 5e-4);
  EXPECT_NEAR(fit->mean_rate / 0.652291, 1, 1e-6);
  EXPECT_NEAR(*fit->shape / 0.8229651, 1, 1e-6);
}

// tests/oracles/negative_binomial_fit.R.
TEST(NegativeBinomialFitOracleTest, AgreesWithGlmNb) {
  for (const testing::OracleRow& row : testing::ReadOracle("negative_binomial_fit.csv")) {
    const absl::StatusOr<NegativeBinomialFit> fit = FitNegativeBinomial(Machines(row));
    ASSERT_TRUE(fit.ok()) << fit.status();
    ASSERT_TRUE(fit->shape.has_value());
    EXPECT_NEAR(fit->mean_rate / row.Number("mean_rate"), 1, 1e-5);
    EXPECT_NEAR(*fit->shape / row.Number("shape"), 1, 1e-4);
    EXPECT_NEAR(fit->log_likelihood, row.Number("log_likelihood"), 1e-7);
    EXPECT_GE(fit->log_likelihood, row.Number("log_likelihood") - 1e-8);
  }
}

// dnbinom of R at R's own fit.
TEST(NegativeBinomialFitOracleTest, PredictsAsDnbinom) {
  for (const testing::OracleRow& row : testing::ReadOracle("negative_binomial_fit.csv")) {
    const ExposedCount shown = Machines(row)[0];
    const NegativeBinomialFit fit{.mean_rate = row.Number("mean_rate"), .shape = row.Number("shape")};
    const absl::StatusOr<std::vector<double>> predicted = PredictCounts(fit, shown, 2 * shown.exposure, 8);
    ASSERT_TRUE(predicted.ok()) << predicted.status();
    const std::vector<double> expected = row.Numbers("predicted");
    ASSERT_EQ(predicted->size(), expected.size());
    for (std::size_t k = 0; k < expected.size(); ++k) {
      EXPECT_NEAR((*predicted)[k], expected[k], 1e-10 * expected[k] + 1e-300) << k;
    }
  }
}

}  // namespace
}  // namespace bayward
