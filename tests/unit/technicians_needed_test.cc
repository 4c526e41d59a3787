#include "server/figures/technicians_needed.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>

#include "absl/status/status.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

std::vector<CallSource> TwoSites() { return {{{20, 100}, {0.5, 1, 3}}, {{5, 50}, {2}}}; }

TEST(TechniciansNeededTest, FirstComeFirstServed) {
  const std::vector<ServiceCall> calls = {{0, 0, 4}, {1, 0, 1}, {2, 0, 1}, {9, 0, 1}};
  EXPECT_THAT(PlanFirstCome(calls, 1).value(), ElementsAre(0, 3, 3, 0));
  EXPECT_THAT(PlanFirstCome(calls, 2).value(), ElementsAre(0, 0, 0, 0));
  EXPECT_EQ(PlanFirstCome(calls, 0).status().code(), kInvalid);
}

// Call by call: the earliest of all technicians, looked up one by one.
TEST(TechniciansNeededTest, FirstComeEqualsALookAtEveryTechnicianAndMoreNeverDelay) {
  std::mt19937_64 random(3);
  std::exponential_distribution<double> gap(1), work(0.4);
  for (int round = 0; round < 50; ++round) {
    std::vector<ServiceCall> calls;
    double at = 0;
    for (int i = 0; i < 200; ++i) calls.push_back({at += gap(random), 0, work(random)});
    std::vector<double> fewer;
    for (int technicians = 1; technicians <= 5; ++technicians) {
      std::vector<double> free(static_cast<std::size_t>(technicians), 0.0);
      const std::vector<double> responses = PlanFirstCome(calls, technicians).value();
      for (std::size_t i = 0; i < calls.size(); ++i) {
        double& first = *std::min_element(free.begin(), free.end());
        const double begun = std::max(first, calls[i].at_hours);
        first = begun + calls[i].work_hours;
        ASSERT_DOUBLE_EQ(responses[i], begun - calls[i].at_hours);
        if (technicians > 1) {
          ASSERT_LE(responses[i], fewer[i] + 1e-9);
        }
      }
      fewer = responses;
    }
  }
}

TEST(TechniciansNeededTest, CallsComeAtTheirRateAndByTheSeed) {
  const std::vector<CallSource> sources = TwoSites();
  const std::vector<ServiceCall> calls = DrawCalls(sources, 20'000, 7).value();
  const std::vector<ServiceCall> again = DrawCalls(sources, 20'000, 7).value();
  ASSERT_EQ(calls.size(), again.size());
  double first = 0;
  for (std::size_t i = 0; i < calls.size(); ++i) {
    EXPECT_EQ(calls[i].at_hours, again[i].at_hours);
    if (i > 0) {
      ASSERT_LE(calls[i - 1].at_hours, calls[i].at_hours);
    }
    first += calls[i].place == 0 ? 1 : 0;
  }
  // Another source more changes nothing of the first.
  const std::vector<ServiceCall> alone = DrawCalls(std::span(sources).first(1), 20'000, 7).value();
  EXPECT_EQ(static_cast<double>(alone.size()), first);
  // A gamma of mean 0.2 and coefficient of variation 1/√20: the mean over 400 seeds within four standard errors.
  double sum = 0;
  for (std::uint64_t seed = 0; seed < 400; ++seed) {
    sum += static_cast<double>(DrawCalls(std::span(sources).first(1), 500, seed)->size());
  }
  const double error = std::sqrt((100 + 100.0 * 100 / 20) / 400);
  EXPECT_NEAR(sum / 400, 100, 4 * error);
}

TEST(TechniciansNeededTest, TheFewestThatKeepThePromise) {
  const std::vector<CallSource> sources = {{{1e6, 1e6}, {2}}};  // one call an hour, two hours of work: more than two
  const auto needed = FindTechniciansNeeded(sources, PlanFirstCome, {4, 0.9});
  ASSERT_TRUE(needed.ok()) << needed.status();
  ASSERT_TRUE(needed->technicians.has_value());
  EXPECT_EQ(*needed->technicians, 3);
  ASSERT_EQ(needed->tried.size(), 3U);
  EXPECT_EQ(needed->tried[0].technicians, 1);
  EXPECT_LT(needed->tried[1].share_in_time, 0.9);  // two are just not enough for two hours of work each hour
  const Staffing& three = needed->tried[2];
  EXPECT_GE(three.share_in_time, three.lower);
  EXPECT_GE(three.lower, 0.9);
  EXPECT_LE(three.hours_at_share, 4);
  EXPECT_NEAR(three.calls, 24 * 7 * 7, 40);  // the first week is not judged
  const auto none = FindTechniciansNeeded(sources, PlanFirstCome, {4, 0.9}, {.technicians_max = 2});
  EXPECT_FALSE(none->technicians.has_value());
  EXPECT_FALSE(none->technicians_at_best.has_value());
  EXPECT_EQ(none->tried.size(), 2U);
}

TEST(TechniciansNeededTest, AFewCallsInTimeAreNoProof) {
  // About one judged call a run: all are answered at once, five runs cannot show that 99 % are.
  const std::vector<CallSource> rare = {{{1e6, 1e6 * 24 * 7 * 7}, {0.1}}};
  const auto needed =
      FindTechniciansNeeded(rare, PlanFirstCome, {0, 0.99}, {.runs = 5, .technicians_max = 3});
  ASSERT_TRUE(needed.ok()) << needed.status();
  EXPECT_FALSE(needed->technicians.has_value());
  EXPECT_EQ(needed->technicians_at_best, 1);
  EXPECT_EQ(needed->tried[0].share_in_time, 1);
}

// Whoever plans: here one who lets everybody wait an hour longer than needed, and never sees to place 1.
TEST(TechniciansNeededTest, ThePlannerDecides) {
  const Planner slow = [](std::span<const ServiceCall> calls, int technicians) {
    auto responses = PlanFirstCome(calls, technicians);
    for (std::size_t i = 0; i < calls.size(); ++i) {
      (*responses)[i] += 1;
      if (calls[i].place == 1) (*responses)[i] = std::numeric_limits<double>::infinity();
    }
    return responses;
  };
  const auto needed = FindTechniciansNeeded(TwoSites(), slow, {2, 0.9}, {.technicians_max = 4});
  ASSERT_TRUE(needed.ok()) << needed.status();
  EXPECT_FALSE(needed->technicians.has_value());
  const Staffing& most = needed->tried.back();
  EXPECT_NEAR(most.share_in_time, 0.2 / 0.3, 0.1);
  EXPECT_TRUE(std::isinf(most.mean_hours));
  EXPECT_TRUE(std::isinf(most.hours_at_share));

  const auto fails = [](std::span<const ServiceCall>, int) -> absl::StatusOr<std::vector<double>> {
    return absl::UnavailableError("no map");
  };
  EXPECT_EQ(FindTechniciansNeeded(TwoSites(), fails, {2, 0.9}).status().code(), absl::StatusCode::kUnavailable);
  const auto forgets = [](std::span<const ServiceCall>, int) -> absl::StatusOr<std::vector<double>> {
    return std::vector<double>();
  };
  EXPECT_EQ(FindTechniciansNeeded(TwoSites(), forgets, {2, 0.9}).status().code(), absl::StatusCode::kInternal);
}

TEST(TechniciansNeededTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const std::vector<CallSource>& sources, const ResponsePromise& promise,
                       const TechniciansOptions& options = {}) {
    return FindTechniciansNeeded(sources, PlanFirstCome, promise, options).status().code();
  };
  EXPECT_EQ(code(TwoSites(), {4, 1}), kInvalid);
  EXPECT_EQ(code(TwoSites(), {-1, 0.9}), kInvalid);
  EXPECT_EQ(code(TwoSites(), {4, 0.9}, {.hours = 100, .warm_up_hours = 100}), kInvalid);
  EXPECT_EQ(code(TwoSites(), {4, 0.9}, {.runs = 4}), kInvalid);
  EXPECT_EQ(code(TwoSites(), {4, 0.9}, {.technicians_min = 0}), kInvalid);
  EXPECT_EQ(code(TwoSites(), {4, 0.9}, {.technicians_min = 5, .technicians_max = 4}), kInvalid);
  EXPECT_EQ(code(TwoSites(), {4, 0.9}, {.confidence = 0.4}), kInvalid);
  EXPECT_EQ(code({}, {4, 0.9}), kInvalid);  // no call to judge
  EXPECT_EQ(code({{{1, 0}, {1}}}, {4, 0.9}), kInvalid);
  EXPECT_EQ(code({{{1, 100}, {}}}, {4, 0.9}), kInvalid);
  EXPECT_EQ(code({{{1, 100}, {-1}}}, {4, 0.9}), kInvalid);
  EXPECT_EQ(code({{{1e9, 1}, {1}}}, {4, 0.9}), kInvalid);  // more calls than can be simulated
}

}  // namespace
}  // namespace bayward
