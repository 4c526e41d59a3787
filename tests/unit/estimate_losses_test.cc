// Losses as the Figures service answers them: a region whose customers come by a rule, so that what is lost is known.
#include <cmath>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/ranking_losses.h"
#include "tests/support/small_fleet.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;

constexpr int kHour = 60;
constexpr int kDay = 1440;
constexpr int kDays = 84;  // of history, from Monday 2026-06-01; then the week that is asked about
constexpr FaultClassNumber kJamClass = v1::FAULT_CLASS_DRIVE_TRACK_OBSTRUCTED;
constexpr FaultClassNumber kLeakClass = v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT;

int Minute(int day, int hour) { return day * kDay + hour * kHour; }

// Three washes an hour from 8 to 20; a bay that is down has none, and its neighbour takes one of the three.
struct Bay {
  std::vector<std::pair<int, int>> down;  // minutes, on the hour
  std::vector<std::pair<int, int>> busier;
  std::vector<FaultClassNumber> faults;  // of each in `down`
};

MachineHistory HistoryOf(const Bay& bay, int now, int from_day = 0) {
  HistoryBuilder builder;
  builder.Observed(from_day * kDay, kOpen).ObservedUntil(now);
  for (const auto& [from, to] : bay.down) builder.Fault(kJam, from, to);
  const auto within = [](const std::vector<std::pair<int, int>>& spans, int at) {
    for (const auto& [from, to] : spans) {
      if (from <= at && at < to) return true;
    }
    return false;
  };
  for (int day = from_day; day * kDay < now; ++day) {
    for (int hour = 8; hour < 20; ++hour) {
      const int at = Minute(day, hour);
      if (at + kHour > now || within(bay.down, at)) continue;
      for (int k = 0; k < (within(bay.busier, at) ? 4 : 3); ++k) builder.Wash(at + 2 + 12 * k, at + 8 + 12 * k);
    }
  }
  MachineHistory history = builder.Build();
  for (Cycle& cycle : history.cycles) cycle.programme = "basic";
  for (std::size_t i = 0; i < history.spells.size(); ++i) history.spells[i].fault_class = bay.faults[i];
  return history;
}

class EstimateLossesTest : public ::testing::Test {
 protected:
  static constexpr int kNow = (kDays + 7) * kDay + 12 * kHour;

  EstimateLossesTest() : clock_(At(kNow)) {
    FleetBuilder builder;
    builder.AddSite("alder", "north").AddMachine("bay-1", "gantry").AddMachine("bay-2", "gantry");
    builder.AddMachine("reclaim", "reclaim");
    builder.AddSite("birch", "north").AddMachine("bay-1", "gantry").AddMachine("bay-2", "gantry");
    builder.AddSite("cedar", "south").AddMachine("bay-1", "gantry");
    Fleet fleet = *builder.Build();
    fleet.sites[0].currency = fleet.sites[2].currency = "EUR";
    fleet.sites[1].currency = "SEK";
    fleet.sites[0].prices = {{absl::CivilDay(2026, 1, 1), "basic", 10}};
    fleet.sites[1].prices = {{absl::CivilDay(2026, 1, 1), "basic", 100}};
    fleet_ = std::make_shared<const Fleet>(std::move(fleet));
    // Four hours down by a jam and two by a timeout: 18 washes, of which the neighbour takes the jam's 4.
    const std::pair<int, int> jam{Minute(kDays + 1, 10), Minute(kDays + 1, 14)};
    const std::pair<int, int> timeout{Minute(kDays + 4, 15), Minute(kDays + 4, 17)};
    store_.histories[MachineId{1}] = HistoryOf({{jam, timeout}, {}, {kJamClass, kLeakClass}}, kNow);
    store_.histories[MachineId{2}] = HistoryOf({{}, {jam}, {}}, kNow);
    store_.histories[MachineId{3}] = HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow).Build();
    store_.histories[MachineId{4}] = HistoryOf({{{Minute(kDays + 7, 11), kOpen}}, {}, {kJamClass}}, kNow);
    store_.histories[MachineId{5}] = HistoryOf({}, kNow);
    store_.histories[MachineId{6}] = HistoryOf({{jam}, {}, {kJamClass}}, kNow, kDays - 5);
    store_.first_event_at = At(0);
    request_.mutable_window()->set_from("2026-08-24");
  }

  v1::EstimateLossesResponse Losses() {
    const auto response = handlers_.EstimateLosses(caller_, request_);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::EstimateLossesResponse());
  }

  FakeClock clock_;
  FakeHistoryStore store_;
  FakeEpochNames epochs_;
  std::shared_ptr<const Fleet> fleet_;
  FiguresSources sources_{store_, epochs_, [this] { return fleet_; }, clock_, "2025b"};
  FiguresHandlers handlers_{sources_};
  Caller caller_;
  v1::EstimateLossesRequest request_;
};

TEST_F(EstimateLossesTest, GrossIsWhatWouldHaveStartedOnTheMachine) {
  request_.mutable_scope()->add_sites("alder");
  const auto response = Losses();
  ASSERT_EQ(response.gross_size(), 2);  // the reclaim plant has no demand
  const v1::GrossLossRow& bay = response.gross(0);
  EXPECT_EQ(bay.group(), "alder/bay-1");
  EXPECT_EQ(bay.machines(), 1U);
  EXPECT_DOUBLE_EQ(bay.down_hours(), 6);
  EXPECT_EQ(bay.withheld_hours(), 0);
  EXPECT_NEAR(bay.down_washes().value(), 18, 0.5);
  EXPECT_LT(bay.down_washes().lower(), 18);
  EXPECT_GT(bay.down_washes().upper(), 18);
  EXPECT_NEAR(bay.down_money().value(), 10 * bay.down_washes().value(), 1e-9);
  EXPECT_EQ(bay.currency(), "EUR");
  EXPECT_EQ(response.gross(1).down_washes().value(), 0);
  EXPECT_EQ(response.confidence(), 0.9);
  EXPECT_THAT(response.notes(), Contains(HasSubstr("1 of the machines are of a kind that never washes")));
}

TEST_F(EstimateLossesTest, NetKnowsOfTheNeighbour) {
  request_.mutable_scope()->add_machines("alder/bay-1");
  const auto response = Losses();
  ASSERT_EQ(response.net_size(), 1);
  const v1::NetLossRow& site = response.net(0);
  EXPECT_EQ(site.site(), "alder");
  EXPECT_NEAR(site.washes().value(), 14, 1.5);
  EXPECT_NEAR(site.washes().value(), site.expected() - static_cast<double>(site.observed()), 1e-9);
  // From Tuesday 10:00 to Thursday 14:00 and from Friday 15:00 to Sunday 17:00, two bays; 3 an hour.
  const double hours = 10 + 12 + 6 + 5 + 12 + 9;
  EXPECT_EQ(site.observed(), static_cast<std::uint64_t>(2 * 3 * hours) - 14);
  EXPECT_DOUBLE_EQ(site.down_washes(), site.washes().value());
  EXPECT_NEAR(site.money().value(), 10 * site.washes().value(), 1e-9);
}

TEST_F(EstimateLossesTest, GroupsAreSumsOfTheirMachines) {
  const auto machines = Losses();
  request_.set_grouping(v1::GROUPING_FLEET);
  const auto fleet = Losses();
  ASSERT_EQ(fleet.gross_size(), 1);
  double washes = 0;
  double hours = 0;
  for (const v1::GrossLossRow& row : machines.gross()) {
    washes += row.down_washes().value();
    hours += row.down_hours();
  }
  EXPECT_NEAR(fleet.gross(0).down_washes().value(), washes, 1e-9);
  EXPECT_NEAR(fleet.gross(0).down_hours(), hours, 1e-9);
  EXPECT_EQ(fleet.gross(0).machines(), 4U);
  // Euros and kronor are not added.
  EXPECT_EQ(fleet.gross(0).currency(), "");
  EXPECT_FALSE(fleet.gross(0).has_down_money());
  EXPECT_THAT(fleet.notes(), Contains(HasSubstr("several currencies")));
}

TEST_F(EstimateLossesTest, ARegionWithTooFewDaysIsNamedAndHasNoRow) {
  const auto response = Losses();
  ASSERT_EQ(response.not_known_size(), 1);
  EXPECT_EQ(response.not_known(0).region(), "south");
  EXPECT_EQ(response.not_known(0).machines(), 1U);
  EXPECT_THAT(response.not_known(0).reason(), HasSubstr("at least 28 days of all sites together, found 5"));
  for (const v1::GrossLossRow& row : response.gross()) EXPECT_NE(row.group(), "cedar/bay-1");
  for (const v1::NetLossRow& row : response.net()) EXPECT_NE(row.site(), "cedar");
  EXPECT_THAT(response.notes(), Contains(HasSubstr("1 sites have no price")));
}

TEST_F(EstimateLossesTest, WhatIsDownNowLosesByTheHour) {
  const auto response = Losses();
  ASSERT_EQ(response.now_size(), 1);
  const v1::LossNowRow& row = response.now(0);
  EXPECT_EQ(row.machine(), "birch/bay-1");
  EXPECT_EQ(row.condition(), "down");
  EXPECT_EQ(row.since_us(), absl::ToUnixMicros(At(Minute(kDays + 7, 11))));
  EXPECT_NEAR(row.washes_per_hour().value(), 3, 0.4);
  EXPECT_LT(row.washes_per_hour().lower(), row.washes_per_hour().value());
  EXPECT_NEAR(row.money_per_hour().value(), 100 * row.washes_per_hour().value(), 1e-9);
  EXPECT_EQ(row.currency(), "SEK");
}

TEST_F(EstimateLossesTest, ALongWindowIsFittedWeekByWeek) {
  request_.mutable_scope()->add_sites("alder");
  const auto one = Losses();
  request_.mutable_window()->set_from("2026-07-06");  // after five weeks of history
  const auto weekly = Losses();
  ASSERT_EQ(weekly.gross_size(), 2);
  EXPECT_NEAR(weekly.gross(0).down_washes().value(), one.gross(0).down_washes().value(), 0.3);
  EXPECT_DOUBLE_EQ(weekly.gross(0).down_hours(), 6);
  EXPECT_EQ(weekly.not_known_size(), 0);
  EXPECT_THAT(weekly.notes(), Contains(HasSubstr("anew for each week")));
  request_.mutable_window()->set_from("2026-06-01");
  const auto from_the_first_day = Losses();
  // Two sites' days: the third week is the first that is known.
  ASSERT_EQ(from_the_first_day.not_known_size(), 1);
  EXPECT_THAT(from_the_first_day.not_known(0).reason(), HasSubstr("until 2026-06-15"));
  EXPECT_DOUBLE_EQ(from_the_first_day.gross(0).down_hours(), 6);
}

TEST_F(EstimateLossesTest, TheBacktestHidesUpTime) {
  request_.mutable_scope()->add_sites("alder");
  EXPECT_FALSE(Losses().has_backtest());
  request_.set_with_backtest(true);
  const auto response = Losses();
  // One site gives too few blocks of three days: those of the whole region are taken.
  EXPECT_GT(response.backtest().blocks(), 40U);
  EXPECT_EQ(response.backtest().above() + response.backtest().below(),
            std::lround((1 - response.backtest().coverage()) * response.backtest().blocks()));
  EXPECT_LT(std::abs(response.backtest().bias()), 0.05);
  EXPECT_FALSE(response.backtest().verdict().empty());
}

TEST_F(EstimateLossesTest, PlantThatMachinesDependOnMakesNoDemandWhileItIsDown) {
  // Every morning of the history the plant is down, and nobody can wash: no bay says so.
  Fleet fleet = *fleet_;
  fleet.machines[0].depends_on = {MachineId{3}};
  HistoryBuilder plant;
  plant.Observed(0, kOpen).ObservedUntil(kNow);
  for (int day = 0; day < kDays; ++day) plant.Fault(kJam, Minute(day, 0), Minute(day, 12));
  store_.histories[MachineId{3}] = plant.Build();
  for (const MachineId id : {MachineId{1}, MachineId{2}}) {
    std::erase_if(store_.histories[id].cycles, [](const Cycle& cycle) {
      const int minute = static_cast<int>(absl::ToInt64Minutes(cycle.started_at - At(0)));
      return minute < kDays * kDay && minute % kDay < 12 * kHour;
    });
  }
  request_.mutable_scope()->add_machines("alder/bay-1");
  const double blind = Losses().gross(0).down_washes().value();
  fleet_ = std::make_shared<const Fleet>(std::move(fleet));
  const double knowing = Losses().gross(0).down_washes().value();
  EXPECT_LT(blind, 14);  // two of the six hours are taken for hours without customers
  EXPECT_GT(knowing, 16);
}

TEST_F(EstimateLossesTest, RefusesWhatHasNoMeaning) {
  request_.set_confidence(1.5);
  EXPECT_EQ(handlers_.EstimateLosses(caller_, request_).status().code(), absl::StatusCode::kInvalidArgument);
  request_.set_confidence(0.5);
  EXPECT_EQ(Losses().confidence(), 0.5);
  store_.status = absl::UnavailableError("away");
  EXPECT_EQ(handlers_.EstimateLosses(caller_, request_).status().code(), absl::StatusCode::kUnavailable);
}

class RankingLossesTest : public EstimateLossesTest {
 protected:
  std::vector<v1::RankingRow> Rows(v1::RankBy by) {
    request_.mutable_scope()->add_sites("alder");
    const FiguresQuestion question = *AskFigures(sources_, request_.scope(), request_.window());
    const RankingLosses losses = *RankingLosses::Compute(sources_, question, v1::GROUPING_SITE);
    std::vector<v1::RankingRow> rows(3);
    const char* names[] = {"drive.travel_timeout", "settled as down", "drive.track_obstructed"};
    for (std::uint32_t i = 0; i < 3; ++i) {
      rows[i].set_group("alder");
      rows[i].set_rank(i + 1);
      rows[i].set_name(names[i]);
      rows[i].set_share(i == 2 ? 0.6 : 0.2);
    }
    losses.Fill(by, rows);
    return rows;
  }
};

TEST_F(RankingLossesTest, ClassesSumToTheMachinesLoss) {
  const auto rows = Rows(v1::RANK_BY_FIRST_OUT);
  EXPECT_NEAR(rows[0].lost_washes() + rows[2].lost_washes(), Losses().gross(0).down_washes().value(), 1e-9);
  EXPECT_NEAR(rows[2].lost_washes(), 12, 0.5);
  EXPECT_NEAR(rows[2].lost_money(), 120, 5);
  EXPECT_EQ(rows[2].currency(), "EUR");
  EXPECT_FALSE(rows[1].has_lost_washes());
  EXPECT_EQ(rows[0].rank(), 1U);  // by another measure the order stays
}

TEST_F(RankingLossesTest, RowsStandInTheOrderOfTheLoss) {
  for (const v1::RankBy by : {v1::RANK_BY_LOST_WASHES, v1::RANK_BY_LOST_MONEY}) {
    const auto rows = Rows(by);
    EXPECT_EQ(rows[0].name(), "drive.track_obstructed");
    EXPECT_EQ(rows[1].name(), "drive.travel_timeout");
    EXPECT_EQ(rows[2].name(), "settled as down");
    EXPECT_EQ(rows[2].rank(), 3U);
    EXPECT_DOUBLE_EQ(rows[0].cumulative_share(), 0.6);
    EXPECT_DOUBLE_EQ(rows[2].cumulative_share(), 1);
  }
}

}  // namespace
}  // namespace bayward::testing
