// What the intervals and the list of worse machines claim, on made-up fleets whose truth is known. Fixed
// seeds; where a share is compared with a figure, the tolerance is 3 Monte Carlo standard errors and half a
// unit of its last digit.
#include <algorithm>
#include <cmath>
#include <functional>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "boost/math/special_functions/gamma.hpp"
#include "gtest/gtest.h"
#include "server/figures/comparison.h"
#include "server/statistics/bootstrap.h"
#include "server/statistics/dispersion.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {
namespace {

using Random = std::mt19937_64;

// A share over independent repetitions, each with `of` cases of which `hits` hit.
class Share {
 public:
  void Add(double hits, double of) {
    hits_.push_back(hits);
    of_.push_back(of);
    all_hits_ += hits;
    all_ += of;
  }
  double value() const { return all_hits_ / all_; }
  double cases() const { return all_; }
  // Of a ratio of sums over repetitions, as cases of one fleet hang together.
  double standard_error() const {
    double squares = 0;
    for (std::size_t i = 0; i < of_.size(); ++i) {
      const double off = hits_[i] - value() * of_[i];
      squares += off * off;
    }
    return std::sqrt(squares) / all_;
  }

 private:
  std::vector<double> hits_;
  std::vector<double> of_;
  double all_hits_ = 0;
  double all_ = 0;
};

void Record(const std::string& name, const Share& share) {
  ::testing::Test::RecordProperty(
      name, std::to_string(share.value()) + " +- " + std::to_string(share.standard_error()));
}

// --- Limits of the MTBF where failures come in clusters of mean 2.

using ClusterSize = std::function<int(Random&)>;
int OneMoreThanPoisson(Random& random) { return 1 + std::poisson_distribution<int>(1)(random); }
int Geometric(Random& random) { return 1 + std::geometric_distribution<int>(0.5)(random); }
int Alone(Random&) { return 1; }

struct Coverage {
  Share plain;
  Share corrected;
};

// Failures, per_week on average of `weeks` weeks, in clusters of `size` with mean `size_mean`; 95 % limits.
Coverage CoverMtbf(int weeks, double per_week, const ClusterSize& size, double size_mean, int repetitions) {
  Random random(2024);
  std::poisson_distribution<int> clusters(per_week / size_mean);
  const absl::Duration week_up = absl::Hours(100);
  const absl::Duration truth = week_up / per_week;
  const auto covers = [&](const Mtbf& mtbf) {
    return mtbf.lower <= truth && (!mtbf.upper || truth <= *mtbf.upper) ? 1.0 : 0.0;
  };
  Coverage coverage;
  for (int repetition = 0; repetition < repetitions; ++repetition) {
    std::vector<ExposedCount> counts;
    int failures = 0;
    for (int week = 0; week < weeks; ++week) {
      int in_week = 0;
      for (int left = clusters(random); left > 0; --left) in_week += size(random);
      counts.push_back({.count = in_week, .exposure = 100});
      failures += in_week;
    }
    const Dispersion dispersion = *ComputeDispersion(counts);
    coverage.plain.Add(covers(*ComputeMtbf(week_up * weeks, failures, 0.95)), 1);
    coverage.corrected.Add(covers(*ComputeDispersedMtbf(week_up * weeks, failures, 0.95, dispersion)), 1);
  }
  return coverage;
}

constexpr int kHistories = 20'000;

void ExpectAtLeast(const Share& share, double least) {
  EXPECT_GE(share.value(), least - 3 * share.standard_error());
}

// Clusters of 1 + Poisson(1), one failure a week: over a quarter, half a year and a year plain limits cover
// 81 % on average, corrected ones are to cover at least 92 %.
TEST(RatesSimulationTest, ClusteredFailuresArePlainlyUndercoveredAndCorrectedCovered) {
  double plain = 0;
  for (const int weeks : {13, 26, 52}) {
    const Coverage coverage = CoverMtbf(weeks, 1, OneMoreThanPoisson, 2, kHistories);
    plain += coverage.plain.value() / 3;
    Record("plain_" + std::to_string(weeks), coverage.plain);
    Record("corrected_" + std::to_string(weeks), coverage.corrected);
    ExpectAtLeast(coverage.corrected, 0.92);
    EXPECT_LT(coverage.plain.value(), 0.87) << weeks;
  }
  EXPECT_NEAR(plain, 0.81, 3 * std::sqrt(0.81 * 0.19 / (3 * kHistories)) + 0.005);
}

// Of the same mean 2, sizes that vary more (geometric) are worse covered plainly; the correction adapts, over
// a quarter only just (92.1 % in 40,000 histories).
TEST(RatesSimulationTest, GeometricClustersAreCoveredToo) {
  for (const int weeks : {13, 26, 52}) {
    const Coverage coverage = CoverMtbf(weeks, 1, Geometric, 2, kHistories);
    Record("plain_" + std::to_string(weeks), coverage.plain);
    Record("corrected_" + std::to_string(weeks), coverage.corrected);
    ExpectAtLeast(coverage.corrected, 0.92);
    EXPECT_LT(coverage.plain.value(), 0.83) << weeks;
  }
}

// The limit of the method: some seven failures in 13 weeks show too little of their clusters, and 92 % is not
// reached. In 40,000 histories: 88.5 % with geometric sizes, 89.7 % with 1 + Poisson(1).
TEST(RatesSimulationTest, AFewClustersIn13WeeksStaySomewhatUndercovered) {
  for (const auto& [size, covered] :
       {std::pair<ClusterSize, double>{Geometric, 0.885}, {OneMoreThanPoisson, 0.897}}) {
    const Coverage coverage = CoverMtbf(13, 0.5, size, 2, kHistories);
    Record("corrected_" + std::to_string(covered), coverage.corrected);
    EXPECT_NEAR(coverage.corrected.value(), covered, 3 * coverage.corrected.standard_error() + 0.005);
    EXPECT_GT(coverage.corrected.value(), coverage.plain.value() + 0.04);
  }
}

// Where failures come one by one the correction costs width, not coverage.
TEST(RatesSimulationTest, SingleFailuresAreCoveredAsStated) {
  for (const int weeks : {13, 52}) {
    const Coverage coverage = CoverMtbf(weeks, 1, Alone, 1, kHistories);
    Record("corrected_" + std::to_string(weeks), coverage.corrected);
    ExpectAtLeast(coverage.corrected, 0.95);
  }
}

// --- Fair comparison. Rates gamma with mean 10 and coefficient of variation 0.5, exposures 0.5 … 1.5.

struct Fleet {
  std::vector<ExposedCount> machines;
  std::vector<double> rates;
};

constexpr double kMean = 10;

Fleet MakeFleet(int machines, double cv, Random& random) {
  std::gamma_distribution<double> rate(1 / (cv * cv), cv * cv * kMean);
  std::uniform_real_distribution<double> exposure(0.5, 1.5);
  Fleet fleet;
  for (int i = 0; i < machines; ++i) {
    const double t = exposure(random);
    fleet.rates.push_back(rate(random));
    fleet.machines.push_back(
        {.count = std::poisson_distribution<int>(fleet.rates.back() * t)(random), .exposure = t});
  }
  return fleet;
}

struct ComparisonCoverage {
  Share integrated;
  Share plug_in;  // the gamma as if known to be the one of the marginal-likelihood fit
};

ComparisonCoverage CoverRates(int machines, int fleets) {
  Random random(11);
  ComparisonCoverage coverage;
  for (int i = 0; i < fleets; ++i) {
    const Fleet fleet = MakeFleet(machines, 0.5, random);
    const auto nodes =
        IntegrateGammaPoisson(*GammaPoissonLikelihood::Make(fleet.machines), FlatMeanHalfNormalCv);
    const NegativeBinomialFit fit = *FitNegativeBinomial(fleet.machines);
    double integrated = 0;
    double plug_in = 0;
    for (std::size_t m = 0; m < fleet.rates.size(); ++m) {
      // A rate lies within the 95 % limits where its share of the posterior lies within 2.5 … 97.5 %.
      const auto inside = [](double share) { return share >= 0.025 && share <= 0.975 ? 1.0 : 0.0; };
      integrated += inside(PosteriorRateCdf(*nodes, fleet.machines[m], fleet.rates[m]));
      if (!fit.shape) continue;  // all machines alike: an interval of one point
      plug_in += inside(
          boost::math::gamma_p(*fit.shape + fleet.machines[m].count,
                               (*fit.shape / fit.mean_rate + fleet.machines[m].exposure) * fleet.rates[m]));
    }
    coverage.integrated.Add(integrated, machines);
    coverage.plug_in.Add(plug_in, machines);
  }
  return coverage;
}

TEST(RatesSimulationTest, IntegratedIntervalsCoverWherePlugInOnesDoNot) {
  struct Row {
    int machines;
    int fleets;
    double integrated;
    double plug_in;
  };
  for (const Row& row : {Row{5, 1200, 0.93, 0.68}, Row{10, 600, 0.93, 0.83}, Row{30, 300, 0.94, 0.92}}) {
    const ComparisonCoverage coverage = CoverRates(row.machines, row.fleets);
    Record("integrated_" + std::to_string(row.machines), coverage.integrated);
    Record("plug_in_" + std::to_string(row.machines), coverage.plug_in);
    EXPECT_NEAR(coverage.integrated.value(), row.integrated, 3 * coverage.integrated.standard_error() + 0.005)
        << row.machines;
    EXPECT_NEAR(coverage.plug_in.value(), row.plug_in, 3 * coverage.plug_in.standard_error() + 0.005)
        << row.machines;
  }
}

// --- The list of worse machines, of kinds that differ enough to have some.

std::vector<double> ProbabilitiesWorse(const std::vector<ExposedCount>& machines) {
  const auto nodes = IntegrateGammaPoisson(*GammaPoissonLikelihood::Make(machines), FlatMeanHalfNormalCv);
  std::vector<double> probabilities;
  for (const ExposedCount& machine : machines)
    probabilities.push_back(ProbabilityAboveMean(*nodes, machine, 2));
  return probabilities;
}

double FalseOf(const WorseList& list, const Fleet& fleet) {
  double wrong = 0;
  for (const std::size_t i : list.listed) wrong += fleet.rates[i] <= 2 * kMean ? 1 : 0;
  return wrong;
}

TEST(RatesSimulationTest, OfTheListAtMostATenthIsNoWorseAndTheListSaysHowMany) {
  Random random(21);
  Share wrong;
  Share stated;
  double worse = 0;
  for (int i = 0; i < 400; ++i) {
    const Fleet fleet = MakeFleet(30, 0.8, random);
    const WorseList list = *ListWorse(ProbabilitiesWorse(fleet.machines));
    const double listed = static_cast<double>(list.listed.size());
    wrong.Add(FalseOf(list, fleet), listed);
    stated.Add(list.expected_false_share * listed, listed);
    for (const double rate : fleet.rates) worse += rate > 2 * kMean ? 1 : 0;
  }
  Record("wrong", wrong);
  Record("stated", stated);
  RecordProperty("found", std::to_string((wrong.cases() - wrong.value() * wrong.cases()) / worse));
  EXPECT_GT(wrong.cases(), 250);
  EXPECT_LE(wrong.value(), 0.10 + 3 * wrong.standard_error());
  EXPECT_NEAR(wrong.value(), stated.value(), 3 * wrong.standard_error());
}

// Twelve weekly lists over growing evidence: staying until below one half makes fewer entries and exits than
// a list made afresh, and the stated share of wrong machines holds.
TEST(RatesSimulationTest, WeeklyListsFlickerLessAndStillSayHowManyAreWrong) {
  Random random(22);
  Share wrong;
  Share stated;
  int changes_held = 0;
  int changes_fresh = 0;
  for (int f = 0; f < 150; ++f) {
    Fleet fleet = MakeFleet(30, 0.8, random);
    std::vector<bool> held(30, false);
    std::vector<bool> fresh(30, false);
    double wrong_of_fleet = 0;
    double stated_of_fleet = 0;
    double listed_of_fleet = 0;
    for (int week = 0; week < 12; ++week) {
      for (std::size_t m = 0; m < fleet.rates.size(); ++m) {
        fleet.machines[m].exposure += 0.1;
        fleet.machines[m].count += std::poisson_distribution<int>(fleet.rates[m] * 0.1)(random);
      }
      const std::vector<double> probabilities = ProbabilitiesWorse(fleet.machines);
      const WorseList list = *ListWorse(probabilities, held);
      const WorseList list_fresh = *ListWorse(probabilities, fresh);
      changes_held += static_cast<int>(list.entered.size() + list.left.size());
      std::vector<bool> next_held(30, false);
      for (const std::size_t i : list.listed) next_held[i] = true;
      held = next_held;
      const WorseList alone = *ListWorse(probabilities);
      std::vector<bool> next_fresh(30, false);
      for (const std::size_t i : alone.listed) next_fresh[i] = true;
      for (std::size_t i = 0; i < 30; ++i) changes_fresh += next_fresh[i] != fresh[i] ? 1 : 0;
      fresh = next_fresh;
      wrong_of_fleet += FalseOf(list, fleet);
      const double listed = static_cast<double>(list.listed.size());
      stated_of_fleet += list.expected_false_share * listed;
      listed_of_fleet += listed;
    }
    wrong.Add(wrong_of_fleet, listed_of_fleet);
    stated.Add(stated_of_fleet, listed_of_fleet);
  }
  Record("wrong", wrong);
  Record("stated", stated);
  RecordProperty("changes_held", changes_held);
  RecordProperty("changes_fresh", changes_fresh);
  EXPECT_NEAR(wrong.value(), stated.value(), 3 * wrong.standard_error());
  EXPECT_LT(changes_held, changes_fresh * 2 / 3);
}

// --- Bootstrap of availability over machine-weeks. Outages Poisson, 2 a week of 105 h; down times log-normal
// of mean 4 h.

Share CoverAvailability(int weeks, double log_deviation, int repetitions) {
  Random random(31);
  std::poisson_distribution<int> outages(2);
  std::lognormal_distribution<double> down(std::log(4) - log_deviation * log_deviation / 2, log_deviation);
  const auto draw_week = [&](int& count) {
    count = outages(random);
    double hours = 0;
    for (int i = 0; i < count; ++i) hours += down(random);
    return std::min(hours, 105.0);
  };
  int count = 0;
  double long_run = 0;
  constexpr int kLongRun = 200'000;
  for (int i = 0; i < kLongRun; ++i) long_run += draw_week(count);
  const double truth = 1 - long_run / kLongRun / 105;
  Share coverage;
  for (int repetition = 0; repetition < repetitions; ++repetition) {
    std::vector<UpDown> times;
    int all = 0;
    for (int week = 0; week < weeks; ++week) {
      const double hours = draw_week(count);
      all += count;
      times.push_back({.up = absl::Hours(105 - hours), .down = absl::Hours(hours)});
    }
    const auto interval = BootstrapMachineAvailability(
        times, all, {.resamples = 1000, .seed = static_cast<std::uint64_t>(repetition)});
    if (!interval->has_value()) continue;
    coverage.Add((*interval)->lower <= truth && truth <= (*interval)->upper ? 1 : 0, 1);
  }
  return coverage;
}

// Resampled weeks cannot hold a repair longer than any seen: coverage is short of 95 %, the more so with few
// weeks and long repairs. Figures of 8,000 histories with another seed: 91.7 % over half a year, 93.3 % over
// a year, 85.9 % over a quarter whose down times have a deviation of 1.3 in log.
TEST(RatesSimulationTest, AvailabilityIntervalsFallShortByWhatIsStated) {
  struct Row {
    int weeks;
    double log_deviation;
    double covered;
  };
  for (const Row& row : {Row{26, 0.8, 0.917}, Row{52, 0.8, 0.933}, Row{13, 1.3, 0.859}}) {
    const Share coverage = CoverAvailability(row.weeks, row.log_deviation, 2000);
    Record("weeks_" + std::to_string(row.weeks), coverage);
    // Both figures are drawn.
    const double both = coverage.standard_error() * std::sqrt(1 + 2000.0 / 8000);
    EXPECT_NEAR(coverage.value(), row.covered, 3 * both + 0.0005) << row.weeks;
  }
}

}  // namespace
}  // namespace bayward
