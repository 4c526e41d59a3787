// What the Figures service tells of slower washes, silent machines and the days ahead.
#include <memory>
#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/figures_fixture.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::StartsWith;

constexpr int kHour = 60;
constexpr int kDay = 24 * kHour;

class CycleDriftHandlerTest : public FiguresHandlersTest {
 protected:
  // A hundred days later.
  static constexpr int kLater = 101 * kDay;

  CycleDriftHandlerTest() { clock_.Advance(absl::Hours(24 * 100)); }

  // Thirty washes a day of five to seven minutes, `longer` minutes more from a day on.
  static MachineHistory Washing(int days, int from_day, int longer) {
    HistoryBuilder builder;
    builder.Observed(0, testing::kOpen).ObservedUntil(kLater);
    for (int day = 0; day < days; ++day) {
      for (int i = 0; i < 30; ++i) {
        const int start = day * kDay + 8 * kHour + i * 20;
        builder.Wash(start, start + 5 + i % 3 + (day >= from_day ? longer : 0));
      }
    }
    return builder.Build();
  }

  v1::ListCycleDriftResponse Drift(bool all) {
    v1::ListCycleDriftRequest request;
    *request.mutable_scope() = scope_;
    request.set_all(all);
    const auto response = handlers_.ListCycleDrift(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::ListCycleDriftResponse());
  }
};

TEST_F(CycleDriftHandlerTest, SlowerOnesFirstAndOnlyThemUnlessAllAreAskedFor) {
  store_.histories[MachineId{1}] = Washing(100, 60, 2);
  store_.histories[MachineId{2}] = Washing(100, 200, 0);
  store_.histories[MachineId{3}] = Washing(3, 200, 0);
  const auto all = Drift(true);
  ASSERT_EQ(all.rows_size(), 3);
  EXPECT_EQ(all.machines(), 3U);
  EXPECT_EQ(all.slower(), 1U);
  EXPECT_EQ(all.learning(), 1U);
  const v1::CycleDriftRow& slower = all.rows(0);
  EXPECT_EQ(slower.machine(), "alder/bay-1");
  EXPECT_EQ(slower.state(), "slower");
  EXPECT_NEAR(static_cast<double>(slower.slower_since_us()), static_cast<double>(absl::ToUnixMicros(At(60 * kDay))),
              1.0 * kDay * 60'000'000);
  EXPECT_GE(slower.confirmed_us(), slower.slower_since_us() + 3LL * kDay * 60'000'000);
  EXPECT_DOUBLE_EQ(slower.shift_seconds(), 120);
  EXPECT_GT(slower.shift_percent(), 25);
  EXPECT_THAT(slower.sentence(), StartsWith("slower since 2026-0"));
  EXPECT_GE(slower.baseline_washes(), 300U);
  EXPECT_EQ(slower.scored() + slower.baseline_washes(), 3000U);
  EXPECT_EQ(all.rows(1).state(), "steady");
  EXPECT_EQ(all.rows(1).slower_since_us(), 0);
  EXPECT_EQ(all.rows(2).state(), "learning");
  EXPECT_THAT(all.rows(2).sentence(), HasSubstr("90 of at least 300 washes"));
  // The fleet's two other machines never washed.
  EXPECT_THAT(all.notes(), Contains(StartsWith("2 machines are left out: no wash")));
  const auto only = Drift(false);
  ASSERT_EQ(only.rows_size(), 1);
  EXPECT_EQ(only.rows(0).machine(), "alder/bay-1");
  EXPECT_EQ(only.machines(), 3U);
}

TEST_F(CycleDriftHandlerTest, AMachineIsJudgedAlikeWhoeverElseIsAskedAbout) {
  store_.histories[MachineId{1}] = Washing(100, 60, 2);
  store_.histories[MachineId{2}] = Washing(10, 200, 0);
  const auto all = Drift(true);
  scope_.add_machines("alder/bay-1");
  const auto one = Drift(true);
  ASSERT_EQ(one.rows_size(), 1);
  EXPECT_EQ(one.rows(0).SerializeAsString(), all.rows(0).SerializeAsString());
}

TEST_F(CycleDriftHandlerTest, AfterUpkeepItLearnsAnew) {
  MachineHistory history = Washing(100, 60, 2);
  history.modes.push_back({.mode = Mode::kOccupied, .from = At(99 * kDay), .to = At(99 * kDay + kHour)});
  store_.histories[MachineId{1}] = history;
  scope_.add_machines("alder/bay-1");
  const auto all = Drift(true);
  ASSERT_EQ(all.rows_size(), 1);
  EXPECT_EQ(all.rows(0).state(), "learning anew after upkeep");
  EXPECT_EQ(all.learning(), 1U);
  EXPECT_EQ(Drift(false).rows_size(), 0);
}

TEST_F(CycleDriftHandlerTest, WhatIsNotThereIsNotFound) {
  v1::ListCycleDriftRequest request;
  request.mutable_scope()->add_machines("alder/bay-9");
  EXPECT_EQ(handlers_.ListCycleDrift(caller_, request).status().code(), absl::StatusCode::kNotFound);
}

// Two sites of a region with a machine each, that sell a wash each hour from 8 to 20 for six weeks; now is the last
// day's 19:00.
class SilentStopHandlerTest : public ::testing::Test {
 protected:
  static constexpr int kDays = 42;
  static constexpr int kNowAt = (kDays - 1) * kDay + 19 * kHour;

  SilentStopHandlerTest() : clock_(At(kNowAt)) {
    FleetBuilder builder;
    builder.AddSite("alder", "north").AddMachine("bay-1", "gantry");
    builder.AddSite("birch", "north").AddMachine("bay-1", "gantry");
    auto fleet = std::make_shared<Fleet>(*builder.Build());
    fleet->sites[0].currency = "EUR";
    fleet->sites[0].prices.push_back({absl::CivilDay(2026, 1, 1), "", 12});
    fleet_ = fleet;
    store_.first_event_at = At(0);
    store_.histories[MachineId{1}] = Selling(kNowAt - 10 * kHour).Build();
    store_.histories[MachineId{2}] = Selling(kNowAt).Build();
  }

  // The last wash starts before `until`.
  static HistoryBuilder Selling(int until) {
    HistoryBuilder builder;
    builder.Observed(0, testing::kOpen).ObservedUntil(kNowAt);
    for (int day = 0; day < kDays; ++day) {
      for (int hour = 8; hour < 20; ++hour) {
        const int start = day * kDay + hour * kHour + (day * 7 + hour * 13) % 50;
        if (start < until) builder.Wash(start, start + 5);
      }
    }
    return builder;
  }

  v1::ListSilentStopsResponse Stops() {
    v1::ListSilentStopsRequest request;
    *request.mutable_scope() = scope_;
    const auto response = handlers_.ListSilentStops(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::ListSilentStopsResponse());
  }

  FakeClock clock_;
  FakeHistoryStore store_;
  FakeEpochNames epochs_;
  std::shared_ptr<const Fleet> fleet_;
  FiguresHandlers handlers_{{store_, epochs_, [this] { return fleet_; }, clock_, "2025b"}};
  Caller caller_;
  v1::Scope scope_;
};

// About ten washes missing: e^-10 of all silences in 336 machine-hours a week.
TEST_F(SilentStopHandlerTest, ASilenceThatChanceDoesNotExplainIsListed) {
  const auto stops = Stops();
  EXPECT_EQ(stops.watched(), 2U);
  EXPECT_NEAR(stops.machine_hours_per_week(), 2 * 168, 1e-6);
  ASSERT_EQ(stops.rows_size(), 1);
  const v1::SilentStopRow& row = stops.rows(0);
  EXPECT_EQ(row.machine(), "alder/bay-1");
  EXPECT_GT(row.silent_hours(), 10);
  EXPECT_LT(row.silent_hours(), 11);
  EXPECT_NEAR(row.expected_washes(), 10, 1.5);
  EXPECT_LT(row.probability(), 1e-3);
  EXPECT_NEAR(row.chance_per_week(), row.probability() * 336, 1e-9);
  EXPECT_EQ(row.currency(), "EUR");
  EXPECT_NEAR(row.expected_money(), 12 * row.expected_washes(), 1e-9);
  EXPECT_GT(row.last_wash_us(), absl::ToUnixMicros(At(kNowAt - 11 * kHour)));
}

TEST_F(SilentStopHandlerTest, OneThatSoldAWashAnHourAgoIsNot) {
  store_.histories[MachineId{1}] = Selling(kNowAt - kHour).Build();
  EXPECT_EQ(Stops().rows_size(), 0);
}

TEST_F(SilentStopHandlerTest, ATestIsNoTrade) {
  MachineHistory history = Selling(kNowAt).Build();
  for (Cycle& cycle : history.cycles) {
    if (cycle.started_at >= At(kNowAt - 10 * kHour)) cycle.sold_as = 4;
  }
  store_.histories[MachineId{1}] = history;
  EXPECT_EQ(Stops().rows_size(), 1);
}

TEST_F(SilentStopHandlerTest, OneThatIsDownClosedOrNotWatchedNowIsNoSilentStop) {
  const int since = kNowAt - 10 * kHour;
  store_.histories[MachineId{1}] = Selling(since).Fault(kJamClass, kNowAt - 30, testing::kOpen).Build();
  EXPECT_EQ(Stops().rows_size(), 0);
  EXPECT_EQ(Stops().watched(), 1U);
  store_.histories[MachineId{1}] = Selling(since).Closed(kNowAt - 30, testing::kOpen).Build();
  EXPECT_EQ(Stops().watched(), 1U);
  store_.histories[MachineId{1}] = Selling(since).ObservedUntil(kNowAt - 30).Build();
  EXPECT_EQ(Stops().watched(), 1U);
  store_.histories[MachineId{1}] = Selling(since).ObservedUntil(kNowAt - 1).Build();
  EXPECT_EQ(Stops().rows_size(), 1);
}

TEST_F(SilentStopHandlerTest, ALongSilenceDoesNotExplainItself) {
  store_.histories[MachineId{1}] = Selling(kNowAt - 14 * kDay).Build();
  const auto stops = Stops();
  ASSERT_EQ(stops.rows_size(), 1);
  EXPECT_NEAR(stops.rows(0).expected_washes(), 14 * 12, 0.1 * 14 * 12);
}

TEST_F(SilentStopHandlerTest, WithoutAPriceThereIsNoMoney) {
  auto fleet = std::make_shared<Fleet>(*fleet_);
  fleet->sites[0].prices.clear();
  fleet_ = fleet;
  const auto stops = Stops();
  ASSERT_EQ(stops.rows_size(), 1);
  EXPECT_EQ(stops.rows(0).currency(), "");
  EXPECT_EQ(stops.rows(0).expected_money(), 0);
}

TEST_F(SilentStopHandlerTest, SaysWhereDemandIsNotKnown) {
  store_.histories[MachineId{1}] = Selling(3 * kDay).Build();
  store_.histories[MachineId{2}] = HistoryBuilder().Observed(0, testing::kOpen).ObservedUntil(kNowAt).Build();
  const auto stops = Stops();
  EXPECT_EQ(stops.watched(), 0U);
  EXPECT_EQ(stops.rows_size(), 0);
  EXPECT_THAT(stops.notes(), Contains(StartsWith("Demand of region north is not known")));
}

TEST_F(SilentStopHandlerTest, AMachineThatNeverSoldHasNoUsualDemand) {
  store_.histories[MachineId{2}] = HistoryBuilder().Observed(0, testing::kOpen).ObservedUntil(kNowAt).Build();
  scope_.add_sites("birch");
  const auto stops = Stops();
  EXPECT_EQ(stops.watched(), 0U);
  EXPECT_THAT(stops.notes(), Contains(StartsWith("1 machine sold no wash")));
}

class ForecastHandlerTest : public FiguresHandlersTest {
 protected:
  static constexpr int kPeriod = 14 * kDay;
  static constexpr int kLater = 12 * kPeriod;

  ForecastHandlerTest() {
    clock_.Advance(absl::Minutes(kLater - kNow));
    store_.histories[MachineId{1}] = Failing(3);
    store_.histories[MachineId{2}] = Failing(1);
  }

  // So many outages of two hours in each period.
  static MachineHistory Failing(int each) {
    HistoryBuilder builder;
    builder.Observed(0, testing::kOpen).ObservedUntil(kLater);
    for (int p = 0; p < 12; ++p) {
      for (int i = 0; i < each; ++i) {
        const int begins = p * kPeriod + (2 + 3 * i) * kDay;
        builder.Fault(kJam, begins, begins + 2 * kHour);
      }
    }
    return WithKnownClasses(builder.Build());
  }

  v1::ForecastOutagesResponse Forecast() {
    v1::ForecastOutagesRequest request;
    *request.mutable_scope() = scope_;
    const auto response = handlers_.ForecastOutages(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::ForecastOutagesResponse());
  }
};

TEST_F(ForecastHandlerTest, TheMostOutagesFirst) {
  const auto forecast = Forecast();
  EXPECT_EQ(forecast.days(), 14U);
  // The retired one and the one to come are not in service; the tunnel was never seen.
  ASSERT_EQ(forecast.rows_size(), 3);
  const v1::ForecastRow& first = forecast.rows(0);
  EXPECT_EQ(first.machine(), "alder/bay-1");
  EXPECT_NEAR(first.mean(), 3, 0.3);
  EXPECT_EQ(first.condition_now(), "up");
  EXPECT_NEAR(first.up_hours_foreseen(), 14 * 24 - 6, 3);
  EXPECT_LE(first.count_low(), first.mean());
  EXPECT_GE(first.count_high(), first.mean());
  EXPECT_EQ(first.probability(0), first.probability_of_none());
  double sum = 0;
  for (const double p : first.probability()) sum += p;
  EXPECT_NEAR(sum, 1, 1e-4);
  EXPECT_EQ(forecast.rows(1).machine(), "alder/bay-2");
  EXPECT_NEAR(forecast.rows(1).mean(), 1, 0.3);
  EXPECT_EQ(forecast.rows(2).machine(), "alder/lane");
  EXPECT_EQ(forecast.rows(2).probability_size(), 0);
  EXPECT_EQ(forecast.rows(2).condition_now(), "unknown: its agent was never heard");
  EXPECT_THAT(forecast.notes(), Contains(HasSubstr("the kind tunnel: none was seen up")));
}

TEST_F(ForecastHandlerTest, ScoresByKind) {
  const auto forecast = Forecast();
  ASSERT_EQ(forecast.scores_size(), 2);
  const v1::ForecastScore& gantry = forecast.scores(0);
  EXPECT_EQ(gantry.kind(), "gantry");
  EXPECT_FALSE(gantry.too_few());
  EXPECT_EQ(gantry.origins(), 8U);
  EXPECT_EQ(gantry.forecasts(), 16U);
  EXPECT_EQ(gantry.pit_size(), 10);
  ASSERT_TRUE(gantry.has_against_own() && gantry.has_against_pooled());
  EXPECT_NEAR(gantry.against_own().value(), gantry.log_used() - gantry.log_own(), 1e-9);
  EXPECT_NEAR(gantry.against_pooled().value(), gantry.log_used() - gantry.log_pooled(), 1e-9);
  EXPECT_FALSE(gantry.verdict().empty());
  EXPECT_TRUE(forecast.scores(1).too_few());
  EXPECT_EQ(forecast.scores(1).verdict(), "too few to say");
}

TEST_F(ForecastHandlerTest, TheConditionNowIsSaidAsOnTheLiveBoard) {
  MachineHistory history = Failing(3);
  Spell open = history.spells.back();
  open.raised_at = At(kLater - 90);
  open.cleared_at = absl::InfiniteFuture();
  open.end = SpellEnd::kOpen;
  open.raw_code = "E07";
  history.spells.push_back(open);
  store_.histories[MachineId{1}] = history;
  scope_.add_machines("alder/bay-1");
  const auto forecast = Forecast();
  ASSERT_EQ(forecast.rows_size(), 1);
  EXPECT_THAT(forecast.rows(0).condition_now(), StartsWith("down: drive.track_obstructed since 2026-"));
  EXPECT_THAT(forecast.rows(0).condition_now(), HasSubstr("(raw E07)"));
  // All outages took two hours: half an hour to go.
  EXPECT_LT(forecast.rows(0).up_hours_foreseen(), 14 * 24 - 0.5);
}

TEST_F(ForecastHandlerTest, NothingInScopeIsSaid) {
  scope_.add_sites("birch");
  const auto forecast = Forecast();
  EXPECT_EQ(forecast.rows_size(), 0);
}

}  // namespace
}  // namespace bayward::testing
