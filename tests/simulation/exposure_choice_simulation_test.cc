// Whether the choice between up hours and wash starts finds what failures follow, on made-up fleets. Fixed seeds.
#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "server/figures/exposure_choice.h"

namespace bayward {
namespace {

using Random = std::mt19937_64;

struct Generator {
  FailureAxis follow = FailureAxis::kUpHours;
  int machines = 20;
  int months = 12;
  double failures_a_month = 1;  // of a machine, on average
};

// Washes per up hour differ between machines (log deviation 0.4), by season (a factor of 2.3 between the busiest and
// the quietest month) and by chance (0.2); up hours by chance (0.15); failure rates between machines by a gamma with
// a coefficient of variation of 0.5.
std::vector<std::vector<ExposedMonth>> MakeFleet(const Generator& generator, Random& random) {
  constexpr double kUpHours = 400;
  constexpr double kWashes = 1600;
  std::normal_distribution<double> normal;
  std::gamma_distribution<double> rate(4, 0.25);
  std::vector<std::vector<ExposedMonth>> fleet;
  for (int i = 0; i < generator.machines; ++i) {
    const double own_rate = generator.failures_a_month * rate(random);
    const double busy = std::exp(0.4 * normal(random));
    auto& months = fleet.emplace_back();
    for (int m = 0; m < generator.months; ++m) {
      ExposedMonth month;
      const double up = std::exp(0.15 * normal(random));
      const double season = 1 + 0.4 * std::sin(2 * M_PI * m / 12);
      const double washes = up * busy * season * std::exp(0.2 * normal(random));
      month.up_hours = kUpHours * up;
      month.wash_starts = std::round(kWashes * washes);
      const double exposed = generator.follow == FailureAxis::kUpHours ? up : washes;
      month.failures = std::poisson_distribution<int>(own_rate * exposed)(random);
      months.push_back(month);
    }
  }
  return fleet;
}

double FoundShare(const Generator& generator, int fleets) {
  Random random(14);
  int found = 0;
  for (int f = 0; f < fleets; ++f) {
    const auto choice = ChooseExposure(MakeFleet(generator, random), 1.0);
    EXPECT_TRUE(choice.ok()) << choice.status();
    found += choice.ok() && choice->unit == generator.follow ? 1 : 0;
  }
  return static_cast<double>(found) / fleets;
}

// With some 240 failures in a year the choice is nearly always the right one, either way.
TEST(ExposureChoiceSimulationTest, FindsWhatFailuresFollow) {
  constexpr int kFleets = 200;
  for (const FailureAxis follow : {FailureAxis::kWashStarts, FailureAxis::kUpHours}) {
    const double found = FoundShare({.follow = follow}, kFleets);
    RecordProperty(std::string(follow == FailureAxis::kUpHours ? "up_hours" : "wash_starts"), std::to_string(found));
    EXPECT_GT(found, 0.9) << AxisUnit(follow);
  }
}

// A small kind on half a year, some 38 failures: the choice is right in four of five.
TEST(ExposureChoiceSimulationTest, IsMostlyRightOnLittle) {
  constexpr int kFleets = 400;
  for (const FailureAxis follow : {FailureAxis::kWashStarts, FailureAxis::kUpHours}) {
    const double found = FoundShare({.follow = follow, .machines = 8, .months = 6, .failures_a_month = 0.8}, kFleets);
    RecordProperty(std::string(follow == FailureAxis::kUpHours ? "up_hours" : "wash_starts"), std::to_string(found));
    EXPECT_GT(found, 0.8 - 3 * std::sqrt(0.8 * 0.2 / kFleets)) << AxisUnit(follow);
  }
}

}  // namespace
}  // namespace bayward
