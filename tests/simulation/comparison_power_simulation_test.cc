// How many of the truly worse machines the list of a fair comparison finds, by how much has been seen of them; and
// how many could be found at all by one who knew the kind. Fixed seeds.
#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "boost/math/special_functions/gamma.hpp"
#include "gtest/gtest.h"
#include "server/figures/comparison.h"

namespace bayward {
namespace {

using Random = std::mt19937_64;

constexpr double kCv = 0.8;  // of the kind's rates: 1 machine in 10 is worse than twice their mean
constexpr double kShape = 1 / (kCv * kCv);
constexpr double kWorse = 2;  // rates below are in units of the kind's mean

struct Fleet {
  std::vector<double> rates;
  std::vector<ExposedCount> machines;
};

// A machine of the mean rate has `failures` on average.
Fleet MakeFleet(std::size_t machines, double failures, Random& random) {
  std::gamma_distribution<double> rate(kShape, 1 / kShape);
  Fleet fleet;
  for (std::size_t i = 0; i < machines; ++i) {
    fleet.rates.push_back(rate(random));
    fleet.machines.push_back({std::poisson_distribution<int>(fleet.rates.back() * failures)(random), failures});
  }
  return fleet;
}

std::vector<double> Integrated(const Fleet& fleet) {
  std::vector<double> probabilities;
  const auto likelihood = GammaPoissonLikelihood::Make(fleet.machines);
  if (!likelihood.ok()) return std::vector<double>(fleet.machines.size(), 0.0);  // no failure at all
  const auto nodes = IntegrateGammaPoisson(*likelihood, FlatMeanHalfNormalCv);
  for (const ExposedCount& machine : fleet.machines) {
    probabilities.push_back(ProbabilityAboveMean(*nodes, machine, kWorse));
  }
  return probabilities;
}

std::vector<double> KnowingTheKind(const Fleet& fleet) {
  std::vector<double> probabilities;
  for (const ExposedCount& machine : fleet.machines) {
    probabilities.push_back(boost::math::gamma_q(kShape + machine.count, (kShape + machine.exposure) * kWorse));
  }
  return probabilities;
}

struct Found {
  double worse = 0;
  double worse_listed = 0;
  double thrice = 0;  // above three times the mean
  double thrice_listed = 0;
  double listed = 0;
  double stated = 0;  // of listed: expected to be no worse

  void Add(const Fleet& fleet, const std::vector<double>& probabilities) {
    std::vector<bool> is_listed(fleet.rates.size(), false);
    const WorseList list = *ListWorse(probabilities);
    stated += list.expected_false_share * static_cast<double>(list.listed.size());
    for (const std::size_t i : list.listed) is_listed[i] = true;
    for (std::size_t i = 0; i < fleet.rates.size(); ++i) {
      const double hit = is_listed[i] ? 1 : 0;
      listed += hit;
      if (fleet.rates[i] > kWorse) worse += 1, worse_listed += hit;
      if (fleet.rates[i] > 3) thrice += 1, thrice_listed += hit;
    }
  }
  double share() const { return worse_listed / worse; }
  double thrice_share() const { return thrice_listed / thrice; }
  double wrong() const { return 1 - worse_listed / listed; }
  double standard_error() const { return std::sqrt(share() * (1 - share()) / worse); }
};

struct Both {
  Found list;
  Found knowing;
};

Both Simulate(std::size_t machines, double failures, int fleets) {
  Random random(33);
  Both both;
  for (int f = 0; f < fleets; ++f) {
    const Fleet fleet = MakeFleet(machines, failures, random);
    both.list.Add(fleet, Integrated(fleet));
    both.knowing.Add(fleet, KnowingTheKind(fleet));
  }
  return both;
}

// 3 Monte Carlo standard errors and half a unit of a stated figure's last digit.
double Tolerance(double share, double cases) { return 3 * std::sqrt(share * (1 - share) / cases) + 0.005; }

std::string Text(const Found& found) {
  return std::to_string(found.share()) + " +- " + std::to_string(found.standard_error()) + ", of thrice " +
         std::to_string(found.thrice_share()) + ", wrong " + std::to_string(found.wrong()) + ", stated " +
         std::to_string(found.stated / found.listed);
}

// The figures that comparison.h states.
TEST(ComparisonPowerSimulationTest, FindsWhatIsStated) {
  struct Row {
    std::size_t machines;
    double failures;
    double found;
    double thrice;
    double knowing;
  };
  for (const Row& row : {Row{30, 2, 0.05, 0.16, 0.08}, Row{30, 5, 0.18, 0.46, 0.30}, Row{30, 10, 0.31, 0.73, 0.45},
                         Row{30, 20, 0.44, 0.88, 0.62}, Row{30, 50, 0.53, 0.96, 0.79}, Row{300, 5, 0.36, 0.71, 0.39},
                         Row{300, 20, 0.71, 0.99, 0.73}}) {
    const Both both = Simulate(row.machines, row.failures, static_cast<int>(12'000 / row.machines));
    const std::string name =
        "at_" + std::to_string(row.machines) + "_" + std::to_string(static_cast<int>(row.failures));
    RecordProperty(name, Text(both.list));
    RecordProperty(name + "_knowing", Text(both.knowing));
    EXPECT_NEAR(both.list.share(), row.found, Tolerance(row.found, both.list.worse)) << name;
    EXPECT_NEAR(both.list.thrice_share(), row.thrice, Tolerance(row.thrice, both.list.thrice)) << name;
    EXPECT_NEAR(both.knowing.share(), row.knowing, Tolerance(row.knowing, both.list.worse)) << name;
    EXPECT_LE(both.list.wrong(), 0.10 + Tolerance(0.10, both.list.listed)) << name;
    EXPECT_LE(both.list.stated, 0.10 * both.list.listed) << name;
  }
}

}  // namespace
}  // namespace bayward
