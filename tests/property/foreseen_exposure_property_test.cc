// Foreseen up hours against a machine played minute by minute, on random machines with fixed seeds.
#include <algorithm>
#include <cmath>
#include <numeric>
#include <random>
#include <vector>

#include "gtest/gtest.h"
#include "server/figures/foreseen_exposure.h"

namespace bayward {
namespace {

constexpr int kMinutes = 14 * 24 * 60;
constexpr int kRuns = 300;

const absl::Time kStart = absl::FromUnixSeconds(1'780'272'000);
absl::Time Minute(int minute) { return kStart + absl::Minutes(minute); }

struct Case {
  ForeseenMachine machine;
  std::vector<int> durations;  // of past outages, all restored, in minutes
  std::vector<bool> required = std::vector<bool>(kMinutes, false);
};

Case RandomCase(std::mt19937_64& random) {
  const auto between = [&](int low, int high) { return std::uniform_int_distribution<int>(low, high)(random); };
  Case one;
  const int count = between(1, 12);
  for (int i = 0; i < count; ++i) one.durations.push_back(between(1, i % 3 == 0 ? 6000 : 300));
  std::vector<Interval> required;
  for (int day = 0; day < 14; ++day) {
    if (between(0, 5) == 0) continue;
    const int open = day * 1440 + between(0, 700);
    const int close = open + between(1, 1400);
    required.push_back({Minute(open), Minute(close)});
    for (int m = open; m < std::min(close, kMinutes); ++m) one.required[static_cast<std::size_t>(m)] = true;
  }
  one.machine.period = {kStart, Minute(kMinutes)};
  one.machine.required = IntervalSet(std::move(required));
  const double shape = 0.5 + between(0, 40);
  one.machine.rate = {.shape = shape, .inverse_scale = shape * between(10, 400)};
  one.machine.up_share = between(0, 3) == 0 ? 1 : between(20, 100) / 100.0;
  const int longest = *std::max_element(one.durations.begin(), one.durations.end());
  if (between(0, 1) == 0) one.machine.down_for = absl::Minutes(between(0, longest - 1));
  return one;
}

// An outage that has lasted `age` minutes is any of the past ones that lasted longer.
int PlayRestoration(const Case& one, int age, std::mt19937_64& random) {
  std::vector<int> longer;
  for (const int duration : one.durations) {
    if (duration > age) longer.push_back(duration - age);
  }
  return longer[std::uniform_int_distribution<std::size_t>(0, longer.size() - 1)(random)];
}

double PlayUpHours(const Case& one, std::mt19937_64& random) {
  const GammaRate& rate = one.machine.rate;
  const double hourly = std::gamma_distribution<double>(rate.shape, 1 / rate.inverse_scale)(random);
  std::bernoulli_distribution breaks(1 - std::exp(-hourly * one.machine.up_share / 60));
  int down = 0;
  if (one.machine.down_for) {
    down = PlayRestoration(one, static_cast<int>(absl::ToInt64Minutes(*one.machine.down_for)), random);
  }
  int up = 0;
  for (int m = 0; m < kMinutes; ++m) {
    if (down > 0) {
      --down;
      continue;
    }
    if (!one.required[static_cast<std::size_t>(m)]) continue;
    ++up;
    if (breaks(random)) down = PlayRestoration(one, 0, random);
  }
  return up / 60.0 * one.machine.up_share;
}

struct Moments {
  double mean = 0;
  double error = 0;  // standard error
};
Moments MomentsOf(const std::vector<double>& values) {
  const auto n = static_cast<double>(values.size());
  const double mean = std::accumulate(values.begin(), values.end(), 0.0) / n;
  double squares = 0;
  for (const double value : values) squares += (value - mean) * (value - mean);
  return {mean, std::sqrt(squares / (n - 1) / n)};
}

std::vector<double> Foresee(const Case& one, std::uint64_t seed, int draws) {
  std::vector<SurvivalCase> cases;
  for (const int minutes : one.durations) cases.push_back({.exit = minutes / 60.0, .event = true});
  const RestorationLaw law(EstimateSurvival(cases).value());
  return ForeseeUpHours(one.machine, law, {.draws = draws, .values = draws, .seed = seed}).value();
}

TEST(ForeseenExposureProperty, LiesBetweenNothingAndAllThatIsPlanned) {
  std::mt19937_64 random(31);
  for (int i = 0; i < 300; ++i) {
    const Case one = RandomCase(random);
    const IntervalSet planned = one.machine.required.Intersect(one.machine.period);
    const double most = one.machine.up_share * absl::ToDoubleHours(planned.length());
    const auto hours = Foresee(one, static_cast<std::uint64_t>(i), 64);
    EXPECT_TRUE(std::is_sorted(hours.begin(), hours.end()));
    EXPECT_GE(hours.front(), 0) << i;
    EXPECT_LE(hours.back(), most + 1e-9) << i;
  }
}

// Means within five standard errors of both, which one in 1.7 million exceeds. An outage that begins within a minute
// is played from the next one on: half a minute for each of up to some 30, a quarter of an hour at most.
TEST(ForeseenExposureProperty, HasTheMeanOfAMachinePlayedMinuteByMinute) {
  std::mt19937_64 random(32);
  for (int i = 0; i < 60; ++i) {
    const Case one = RandomCase(random);
    std::vector<double> played;
    for (int run = 0; run < kRuns; ++run) played.push_back(PlayUpHours(one, random));
    const Moments expected = MomentsOf(played);
    const Moments found = MomentsOf(Foresee(one, static_cast<std::uint64_t>(i), 4096));
    EXPECT_NEAR(found.mean, expected.mean, 5 * std::hypot(found.error, expected.error) + 0.25) << i;
  }
}

TEST(ForeseenExposureProperty, BeingDownNeverHelps) {
  std::mt19937_64 random(33);
  for (int i = 0; i < 100; ++i) {
    Case one = RandomCase(random);
    one.machine.down_for = absl::ZeroDuration();
    const Moments down = MomentsOf(Foresee(one, 1, 2048));
    one.machine.down_for.reset();
    const Moments whole = MomentsOf(Foresee(one, 1, 2048));
    EXPECT_LE(down.mean, whole.mean + 5 * std::hypot(down.error, whole.error) + 1e-9) << i;
  }
}

}  // namespace
}  // namespace bayward
