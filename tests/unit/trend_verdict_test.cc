#include "server/figures/trend_verdict.h"

#include <cmath>
#include <limits>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "tests/support/trend_histories.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr TrendOptions kEveryEvent{.apart = 0, .level = 0.05};

TEST(DeclusterTest, CountsFromTheEventKept) {
  EXPECT_EQ(Value(Decluster({1, 3, 5, 7, 20}, 4)), (std::vector<double>{1, 5, 20}));
  EXPECT_EQ(Value(Decluster({1, 1, 2}, 0)), (std::vector<double>{1, 1, 2}));
  EXPECT_TRUE(Value(Decluster({}, 4)).empty());
  // A machine that fails without pause keeps its number of events, not one.
  std::vector<double> ceaseless;
  for (int i = 0; i < 100; ++i) ceaseless.push_back(i);
  EXPECT_EQ(Value(Decluster(ceaseless, 10)).size(), 10U);
  EXPECT_EQ(Code(Decluster({1, 2}, -1)), kInvalid);
  EXPECT_EQ(Code(Decluster({1, 2}, kInfinity)), kInvalid);
  EXPECT_EQ(Code(Decluster({2, 1}, 1)), kInvalid);
  EXPECT_EQ(Code(Decluster({kNan}, 1)), kInvalid);
}

TEST(ComparisonTest, RateIsDrawnTowardsTheMean) {
  // 10 events over 1000: one event more at that rate is an exposure of 100 more.
  const std::vector<RateStep> steps =
      Value(ComparisonRate({{.own_exposure = 10, .others_exposure = 400, .others_events = 0},
                            {.own_exposure = 0, .others_exposure = 100, .others_events = 4},
                            {.own_exposure = 30, .others_exposure = 500, .others_events = 6}}));
  ASSERT_EQ(steps.size(), 2U);
  EXPECT_DOUBLE_EQ(steps[0].until, 10);
  EXPECT_DOUBLE_EQ(steps[0].rate, 1.0 / 500);
  EXPECT_DOUBLE_EQ(steps[1].until, 40);
  EXPECT_DOUBLE_EQ(steps[1].rate, 7.0 / 600);
  EXPECT_EQ(Code(ComparisonRate({})), kInvalid);
  EXPECT_EQ(Code(ComparisonRate({{.own_exposure = 10, .others_exposure = 10, .others_events = 0}})),
            kInvalid);
  EXPECT_EQ(Code(ComparisonRate({{.own_exposure = 0, .others_exposure = 10, .others_events = 1}})), kInvalid);
  EXPECT_EQ(Code(ComparisonRate({{.own_exposure = 10, .others_exposure = 0, .others_events = 1}})), kInvalid);
  EXPECT_EQ(Code(ComparisonRate({{.own_exposure = -1, .others_exposure = 10, .others_events = 1}})),
            kInvalid);
  EXPECT_EQ(Code(ComparisonRate({{.own_exposure = 1, .others_exposure = kNan, .others_events = 1}})),
            kInvalid);
  EXPECT_EQ(Code(ComparisonRate({{.own_exposure = 1, .others_exposure = 1, .others_events = -1}})), kInvalid);
}

TEST(ComparisonTest, TimeRunsByTheOthersRate) {
  const std::vector<RateStep> steps = {{.until = 10, .rate = 1}, {.until = 20, .rate = 3}};
  const EventHistory transformed = Value(TransformByComparison(EndedByTime({0, 5, 10, 12, 20}, 20), steps));
  EXPECT_EQ(transformed.at, (std::vector<double>{0, 5, 10, 16, 40}));
  EXPECT_EQ(transformed.end, 40);
  const EventHistory by_failure = Value(TransformByComparison(EndedByFailure({5, 15}, 15), steps));
  EXPECT_TRUE(CheckEvents(by_failure).ok());
  EXPECT_EQ(by_failure.end, 25);
  const EventHistory history = EndedByTime({5}, 20);
  EXPECT_EQ(Code(TransformByComparison(history, {})), kInvalid);
  EXPECT_EQ(Code(TransformByComparison(history, {{.until = 19, .rate = 1}})), kInvalid);
  EXPECT_EQ(Code(TransformByComparison(history, {{.until = 20, .rate = 0}})), kInvalid);
  EXPECT_EQ(Code(TransformByComparison(history, {{.until = 20, .rate = kInfinity}})), kInvalid);
  EXPECT_EQ(Code(TransformByComparison(history, {{.until = 9, .rate = 1}, {.until = 9, .rate = 1}})),
            kInvalid);
}

TEST(JudgeTrendTest, SaysWhatTheEventsShow) {
  const TrendVerdict worsening = Value(JudgeTrend(Worsening(), {}, kEveryEvent));
  EXPECT_EQ(worsening.trend, Trend::kWorsening);
  EXPECT_GT(worsening.z, 0);
  EXPECT_LT(worsening.p_worsening, 0.05);
  EXPECT_EQ(worsening.q_worsening, worsening.p_worsening);
  EXPECT_EQ(Value(JudgeTrend(Reversed(Worsening()), {}, kEveryEvent)).trend, Trend::kImproving);
  const EventHistory even = EndedByTime({9, 21, 30, 38, 52, 60, 71, 79, 91}, 100);
  EXPECT_EQ(Value(JudgeTrend(even, {}, kEveryEvent)).trend, Trend::kSteady);
  // As the others worsened likewise, nothing is left of its own.
  std::vector<RateStep> others;
  for (int i = 1; i <= 20; ++i) {
    others.push_back(
        {.until = 5.0 * i, .rate = std::pow(i / 20.0, 1 / 0.3) - std::pow((i - 1) / 20.0, 1 / 0.3)});
  }
  const TrendVerdict compared = Value(JudgeTrend(Worsening(), others, kEveryEvent));
  EXPECT_EQ(compared.trend, Trend::kSteady);
  EXPECT_TRUE(compared.compared);
}

TEST(JudgeTrendTest, FewerThanSixAreTooFewToSay) {
  const EventHistory five = EndedByTime({80, 90, 95, 98, 99}, 100);
  const EventHistory six = EndedByTime({80, 90, 95, 98, 99, 99.5}, 100);
  EXPECT_EQ(Value(JudgeTrend(five, {}, kEveryEvent)).trend, Trend::kTooFewToSay);
  EXPECT_EQ(Value(JudgeTrend(six, {}, kEveryEvent)).events, 6);
  EXPECT_NE(Value(JudgeTrend(six, {}, kEveryEvent)).trend, Trend::kTooFewToSay);
  // It is the declustered events that count.
  const TrendVerdict clustered = Value(JudgeTrend(six, {}, {.apart = 2, .level = 0.05}));
  EXPECT_EQ(clustered.trend, Trend::kTooFewToSay);
  EXPECT_EQ(clustered.events_given, 6);
  EXPECT_EQ(clustered.events, 4);
  EXPECT_EQ(clustered.p_worsening, 0.5);
  EXPECT_EQ(Value(JudgeTrend(EndedByTime({}, 100), {}, kEveryEvent)).trend, Trend::kTooFewToSay);
}

TEST(JudgeTrendTest, EqualIntervalsAreJudgedByLaplace) {
  const EventHistory stopped = EndedByTime({1, 2, 3, 4, 5, 6}, 100);
  const TrendVerdict verdict = Value(JudgeTrend(stopped, {}, kEveryEvent));
  EXPECT_EQ(verdict.trend, Trend::kImproving);
  EXPECT_DOUBLE_EQ(verdict.z, Value(LaplaceTest(stopped)).statistic);
}

TEST(JudgeTrendTest, AnEndByAFailureSurvivesOnlyIfThatFailureIsKept) {
  const EventHistory history = EndedByFailure({10, 25, 31, 55, 64, 82, 99, 100}, 100);
  EXPECT_NEAR(Value(JudgeTrend(history, {}, kEveryEvent)).z, Value(LewisRobinsonTest(history)).statistic,
              1e-12);
  const EventHistory kept = EndedByTime({10, 25, 31, 55, 64, 82, 99}, 100);
  EXPECT_NEAR(Value(JudgeTrend(history, {}, {.apart = 2, .level = 0.05})).z,
              Value(LewisRobinsonTest(kept)).statistic, 1e-12);
}

TEST(JudgeTrendTest, RefusesWhatHasNoMeaning) {
  EXPECT_EQ(Code(JudgeTrend(EndedByTime({2, 1, 3}, 10), {}, kEveryEvent)), kInvalid);
  EXPECT_EQ(Code(JudgeTrend(EndedByTime({1, 2, 3}, 0), {}, kEveryEvent)), kInvalid);
  for (const double level : {0.0, 0.5, -0.1, kNan}) {
    EXPECT_EQ(Code(JudgeTrend(Worsening(), {}, {.apart = 0, .level = level})), kInvalid);
  }
  EXPECT_EQ(Code(JudgeTrend(Worsening(), {}, {.apart = -1, .level = 0.05})), kInvalid);
  EXPECT_EQ(Code(JudgeTrend(Worsening(), {{.until = 50, .rate = 1}}, kEveryEvent)), kInvalid);
}

TEST(JudgeFleetTest, FleetAndOwnStandApart) {
  const EventHistory steady = EndedByTime({9, 21, 30, 38, 52, 60, 71, 79, 91}, 100);
  const EventHistory few = EndedByTime({50}, 100);
  const FleetTrend trend = Value(JudgeFleet(Worsening(),
                                            {{.history = Worsening(), .comparison = {}},
                                             {.history = steady, .comparison = {}},
                                             {.history = few, .comparison = {}}},
                                            kEveryEvent));
  EXPECT_EQ(trend.fleet.trend, Trend::kWorsening);
  ASSERT_EQ(trend.own.size(), 3U);
  EXPECT_EQ(trend.own[0].trend, Trend::kWorsening);
  EXPECT_EQ(trend.own[1].trend, Trend::kSteady);
  EXPECT_EQ(trend.own[2].trend, Trend::kTooFewToSay);
  // Two machines share the list: the one with too few events takes no part.
  EXPECT_DOUBLE_EQ(trend.own[0].q_worsening, 2 * trend.own[0].p_worsening);
  EXPECT_TRUE(Value(JudgeFleet(Worsening(), {}, kEveryEvent)).own.empty());
  const absl::StatusOr<FleetTrend> wrong = JudgeFleet(
      Worsening(),
      {{.history = steady, .comparison = {}}, {.history = EndedByTime({2, 1}, 3), .comparison = {}}},
      kEveryEvent);
  EXPECT_EQ(Code(wrong), kInvalid);
  EXPECT_NE(wrong.status().message().find("position 1"), std::string::npos);
  EXPECT_EQ(Code(JudgeFleet(EndedByTime({2, 1}, 3), {}, kEveryEvent)), kInvalid);
}

// One machine's verdict among many that are steady needs more than by itself.
TEST(JudgeFleetTest, ManyMachinesRaiseTheBar) {
  const EventHistory mild = EndedByTime({20, 35, 42, 60, 68, 77, 80, 88, 93, 98}, 100);
  EXPECT_EQ(Value(JudgeTrend(mild, {}, kEveryEvent)).trend, Trend::kWorsening);
  std::vector<ComparedHistory> machines(
      50, {.history = EndedByTime({9, 21, 30, 38, 52, 60, 71, 79, 91}, 100), .comparison = {}});
  machines.push_back({.history = mild, .comparison = {}});
  EXPECT_EQ(Value(JudgeFleet(mild, machines, kEveryEvent)).own.back().trend, Trend::kSteady);
}

TEST(BenjaminiHochbergTest, RefusesWhatIsNoProbability) {
  EXPECT_EQ(Code(BenjaminiHochberg({0.5, 1.5})), kInvalid);
  EXPECT_EQ(Code(BenjaminiHochberg({-0.1})), kInvalid);
  EXPECT_EQ(Code(BenjaminiHochberg({kNan})), kInvalid);
  EXPECT_TRUE(Value(BenjaminiHochberg({})).empty());
  // Four p-values by hand: 0.04·4/4, 0.03·4/3 and above it no smaller, 0.005·4/1.
  const std::vector<double> adjusted = Value(BenjaminiHochberg({0.03, 0.005, 0.04, 0.02}));
  EXPECT_DOUBLE_EQ(adjusted[0], 0.04);
  EXPECT_DOUBLE_EQ(adjusted[1], 0.02);
  EXPECT_DOUBLE_EQ(adjusted[2], 0.04);
  EXPECT_DOUBLE_EQ(adjusted[3], 0.04);
}

TEST(TrendSentenceTest, ReadsAsPlainWords) {
  TrendVerdict verdict;
  verdict.events = 1;
  EXPECT_EQ(TrendSentence(verdict, 20000, "wash starts"),
            "too few to say: 1 failure over 20000 wash starts; at least 6 are needed");
  verdict.events = 14;
  verdict.trend = Trend::kWorsening;
  verdict.p_worsening = 1.0 / 120;
  EXPECT_EQ(
      TrendSentence(verdict, 20000, "wash starts"),
      "worsening: 14 failures over 20000 wash starts come faster towards the end, as in 1 of 120 steady "
      "machines by chance");
  verdict.trend = Trend::kImproving;
  verdict.p_improving = 1e-9;
  verdict.compared = true;
  EXPECT_EQ(
      TrendSentence(verdict, 4100, "up hours"),
      "improving: 14 failures over 4100 up hours come more slowly towards the end, beside what the other "
      "machines did, as in fewer than 1 of a million steady machines by chance");
  verdict.trend = Trend::kSteady;
  verdict.intervals_sorted = true;
  EXPECT_EQ(
      TrendSentence(verdict, 4100, "up hours"),
      "steady: 14 failures over 4100 up hours come neither faster nor more slowly than chance explains, "
      "beside "
      "what the other machines did; caution: the times between failures stand in order of length, check that "
      "the list is by date");
}

}  // namespace
}  // namespace bayward
