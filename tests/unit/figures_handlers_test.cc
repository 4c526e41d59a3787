#include "server/api/figures_handlers.h"

#include "absl/strings/str_join.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "tests/support/figures_fixture.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;
using ::testing::Not;

TEST_F(FiguresHandlersTest, AMachinesRowSaysWhereItsTimeWent) {
  const auto response = Availability(v1::GROUPING_MACHINE);
  ASSERT_EQ(response.rows_size(), 5);
  const v1::AvailabilityRow& row = response.rows(0);
  EXPECT_EQ(row.group(), "alder/bay-1");
  EXPECT_DOUBLE_EQ(row.required_seconds(), 1440 * kMinute);
  EXPECT_DOUBLE_EQ(row.up_seconds(), 1170 * kMinute);
  EXPECT_DOUBLE_EQ(row.degraded_seconds(), 120 * kMinute);
  EXPECT_DOUBLE_EQ(row.down_seconds(), 90 * kMinute);
  EXPECT_DOUBLE_EQ(row.down_internal_seconds(), 60 * kMinute);
  EXPECT_DOUBLE_EQ(row.down_user_seconds(), 30 * kMinute);
  EXPECT_DOUBLE_EQ(row.withheld_seconds(), 60 * kMinute);
  EXPECT_NEAR(row.availability(), 1290.0 / 1380, 1e-12);
  EXPECT_NEAR(row.service_availability(), 1290.0 / 1440, 1e-12);
  EXPECT_EQ(row.outages(), 1U);
  EXPECT_EQ(row.failures(), 1U);
  EXPECT_EQ(row.user_outages(), 1U);
  EXPECT_EQ(row.cycles_completed(), 1U);
  EXPECT_EQ(row.cycles_aborted(), 1U);
  EXPECT_FALSE(row.provisional());
}

TEST_F(FiguresHandlersTest, AGroupIsTheSumOfItsMachinesNeverAMeanOfRatios) {
  scope_.add_kinds("gantry");
  const auto response = Availability(v1::GROUPING_SITE);
  ASSERT_EQ(response.rows_size(), 2);
  const v1::AvailabilityRow& alder = response.rows(0);
  EXPECT_EQ(alder.group(), "alder");
  EXPECT_EQ(alder.machines(), 2U);
  // U = 1290 + 1310, D = 90 + 30, X = 100, W = 60.
  EXPECT_NEAR(alder.availability(), 2600.0 / 2720, 1e-12);
  EXPECT_NEAR(alder.availability_low(), 2600.0 / 2820, 1e-12);
  EXPECT_NEAR(alder.availability_high(), 2700.0 / 2820, 1e-12);
  EXPECT_NEAR(alder.service_availability(), 2600.0 / 2780, 1e-12);
  EXPECT_DOUBLE_EQ(alder.unknown_lost_seconds(), 100 * kMinute);
  EXPECT_DOUBLE_EQ(alder.mean_down_seconds(), 40 * kMinute);
  EXPECT_EQ(alder.outages_restored(), 3U);
  EXPECT_EQ(response.total().group(), "total");
  EXPECT_DOUBLE_EQ(response.total().down_seconds(), 120 * kMinute);
}

TEST_F(FiguresHandlersTest, TheLimitsOfMtbfAreThoseAskedFor) {
  scope_.add_machines("alder/bay-1");
  scope_.add_machines("alder/bay-2");
  // NIST/SEMATECH e-Handbook 8.4.5.1: 800 h and 2 failures give 127.0690 h and 2251.229 h at 90 %. Here 2600
  // minutes.
  const v1::AvailabilityRow row = Availability(v1::GROUPING_FLEET).rows(0);
  EXPECT_EQ(row.group(), "fleet");
  EXPECT_EQ(row.failures(), 2U);
  EXPECT_DOUBLE_EQ(row.mtbf_seconds(), 1300 * kMinute);
  EXPECT_NEAR(row.mtbf_lower_seconds(), 127.0690 / 800 * 2600 * kMinute, 0.02);
  EXPECT_NEAR(row.mtbf_upper_seconds(), 2251.229 / 800 * 2600 * kMinute, 0.2);
  scope_.Clear();
  scope_.add_machines("alder/bay-1");
  window_.set_from("2026-06-01T06:00:00Z");
  const auto without = Availability(v1::GROUPING_FLEET);
  EXPECT_FALSE(without.rows(0).has_mtbf_seconds());
  EXPECT_FALSE(without.rows(0).has_mtbf_upper_seconds());
  // U = 1080 - 60 minutes; one-sided at 90 %: U / -ln 0.1.
  EXPECT_NEAR(without.rows(0).mtbf_lower_seconds(), 1020 * kMinute / 2.302585, 0.02);
  EXPECT_THAT(without.notes(), Contains(HasSubstr("only a one-sided lower limit")));
  scope_.add_machines("alder/bay-2");
  window_.set_from("2026-06-01T00:00:00Z");
  const v1::AvailabilityRow wider = Availability(v1::GROUPING_FLEET, 0.99).rows(0);
  EXPECT_LT(wider.mtbf_lower_seconds(), row.mtbf_lower_seconds());
  EXPECT_GT(wider.mtbf_upper_seconds(), row.mtbf_upper_seconds());
}

TEST_F(FiguresHandlersTest, WhatNobodyObservedIsUnknownNotUp) {
  scope_.add_machines("alder/lane");
  const auto response = Availability(v1::GROUPING_MACHINE);
  ASSERT_EQ(response.rows_size(), 1);
  const v1::AvailabilityRow& row = response.rows(0);
  EXPECT_DOUBLE_EQ(row.unknown_pending_seconds(), 1440 * kMinute);
  EXPECT_DOUBLE_EQ(row.up_seconds(), 0);
  EXPECT_FALSE(row.has_availability());
  EXPECT_FALSE(row.has_mtbf_seconds());
  EXPECT_FALSE(row.has_mtbf_lower_seconds());
  EXPECT_TRUE(row.provisional());
  EXPECT_THAT(response.notes(), Contains(HasSubstr("Provisional: 1 of 1 machines")));
  EXPECT_THAT(response.notes(),
              Contains(HasSubstr("24.0 h are unknown, 24.0 h of them may still be delivered")));
}

TEST_F(FiguresHandlersTest, OutOfServiceNothingIsRequired) {
  scope_.add_sites("birch");
  const auto response = Availability(v1::GROUPING_MACHINE);
  ASSERT_EQ(response.rows_size(), 2);
  for (const v1::AvailabilityRow& row : response.rows()) {
    EXPECT_DOUBLE_EQ(row.required_seconds(), 0) << row.group();
    EXPECT_FALSE(row.has_availability()) << row.group();
  }
}

TEST_F(FiguresHandlersTest, ClosuresAreShownBesideTheFigure) {
  FleetBuilder builder;
  builder.AddSite("alder", "north").AddMachine("bay-1", "gantry");
  Closure closure;
  closure.from = absl::CivilSecond(2026, 6, 1, 20);
  closure.to = absl::CivilSecond(2026, 6, 1, 22);
  closure.recorded_at = absl::InfinitePast();
  builder.last_machine().calendar.closures = {closure};
  fleet_ = builder.Build();
  const auto response = Availability(v1::GROUPING_FLEET);
  EXPECT_DOUBLE_EQ(response.rows(0).required_seconds(), 1320 * kMinute);
  EXPECT_DOUBLE_EQ(response.rows(0).excluded_seconds(), 120 * kMinute);
  EXPECT_NEAR(response.rows(0).availability(), 1170.0 / 1260, 1e-12);
  EXPECT_NEAR(response.rows(0).availability_iec(), 1170.0 / 1380, 1e-12);
  EXPECT_THAT(response.notes(),
              Contains(HasSubstr("as agreed with the owner: 2.0 h in this window. With planned")));
  EXPECT_THAT(response.notes(), Contains(HasSubstr("availability is 84.78 %")));
}

TEST_F(FiguresHandlersTest, SettledHoursAndTheFigureWithoutThemAreShown) {
  store_.histories[MachineId{2}].settlements = {{Span(700, 800), Condition::kDown, At(1000)}};
  scope_.add_machines("alder/bay-2");
  const auto response = Availability(v1::GROUPING_MACHINE);
  EXPECT_DOUBLE_EQ(response.rows(0).down_seconds(), 130 * kMinute);
  // 1310/1340 without.
  EXPECT_THAT(
      response.notes(),
      Contains(
          "1.7 h of unknown time were settled by people; without their decisions availability is 97.76 %."));
}

TEST_F(FiguresHandlersTest, DatesAreEachSitesOwn) {
  FleetBuilder builder;
  builder.AddSite("alder", "north").AddMachine("bay-1", "gantry");
  builder.AddSite("kauri", "east", AlwaysOpenIn("Pacific/Auckland")).AddMachine("bay-1", "gantry");
  fleet_ = builder.Build();
  window_.set_from("2026-05-30");
  window_.set_to("2026-05-31");
  const auto response = Availability(v1::GROUPING_MACHINE);
  EXPECT_EQ(absl::FromUnixMicros(response.from_us()),
            At(0) - absl::Hours(60));  // midnight in Auckland, UTC+12
  EXPECT_EQ(absl::FromUnixMicros(response.to_us()), At(0) - absl::Hours(24));
  for (const v1::AvailabilityRow& row : response.rows()) EXPECT_DOUBLE_EQ(row.required_seconds(), 86400);
  EXPECT_EQ(response.tzdata_version(), "2025b");
  EXPECT_THAT(response.notes(), Contains("A date is each site's own midnight, by time zone data 2025b."));
}

TEST_F(FiguresHandlersTest, TheExtentReachesFromTheFirstEventToNow) {
  window_.set_from("2026-06-01T12:00:00Z");
  window_.set_to("2026-06-01T13:00:00Z");
  scope_.add_machines("alder/bay-1");
  Availability(v1::GROUPING_MACHINE);
  ASSERT_EQ(store_.loaded.size(), 1U);
  EXPECT_LE(store_.loaded[0].start, At(0));
  EXPECT_EQ(store_.loaded[0].end, At(kNow));
}

TEST_F(FiguresHandlersTest, LargeFleetsAreReadInBatches) {
  FleetBuilder builder;
  builder.AddSite("alder", "north");
  for (int i = 1; i <= 130; ++i) builder.AddMachine("bay-" + std::to_string(i), "gantry");
  fleet_ = builder.Build();
  const auto response = Availability(v1::GROUPING_FLEET);
  EXPECT_EQ(response.rows(0).machines(), 130U);
  EXPECT_DOUBLE_EQ(response.rows(0).down_seconds(), 120 * kMinute);
  EXPECT_EQ(store_.loaded.size(), 3U);
}

TEST_F(FiguresHandlersTest, AnEmptyFleetIsAnsweredAndSaysSo) {
  fleet_ = std::make_shared<Fleet>();
  const auto response = Availability(v1::GROUPING_FLEET);
  EXPECT_EQ(response.rows_size(), 0);
  EXPECT_EQ(response.total().machines(), 0U);
  EXPECT_THAT(response.notes(), Contains("No machine is in this scope."));
}

TEST_F(FiguresHandlersTest, FaultsAreRankedByTheDownTimeTheyBegan) {
  const auto response = Ranking();
  ASSERT_EQ(response.rows_size(), 2);
  const v1::RankingRow& jam = response.rows(0);
  EXPECT_EQ(jam.group(), "fleet");
  EXPECT_EQ(jam.rank(), 1U);
  EXPECT_EQ(jam.name(), "drive.track_obstructed");
  EXPECT_EQ(jam.fault_class(), v1::FAULT_CLASS_DRIVE_TRACK_OBSTRUCTED);
  EXPECT_DOUBLE_EQ(jam.first_out_seconds(), 90 * kMinute);
  EXPECT_DOUBLE_EQ(jam.share(), 0.75);
  EXPECT_EQ(jam.machines(), 2U);
  EXPECT_EQ(jam.outages(), 2U);
  EXPECT_DOUBLE_EQ(response.rows(1).first_out_seconds(), 30 * kMinute);
  EXPECT_DOUBLE_EQ(response.rows(1).cumulative_share(), 1.0);
  EXPECT_DOUBLE_EQ(response.down_seconds(), 120 * kMinute);
  EXPECT_TRUE(response.provisional());  // the machine nobody observed
}

TEST_F(FiguresHandlersTest, EachGroupHasARankingOfItsOwn) {
  const auto response = Ranking(v1::GROUPING_MACHINE, v1::RANK_BY_OUTAGES);
  ASSERT_EQ(response.rows_size(), 3);
  EXPECT_EQ(response.rows(0).group(), "alder/bay-1");
  EXPECT_EQ(response.rows(1).group(), "alder/bay-1");
  EXPECT_EQ(response.rows(2).group(), "alder/bay-2");
  EXPECT_EQ(response.rows(2).rank(), 1U);
  EXPECT_DOUBLE_EQ(response.rows(2).share(), 1.0);
}

TEST_F(FiguresHandlersTest, DownTimeWithoutAFaultHasANameOfItsOwn) {
  store_.histories[MachineId{2}].settlements = {{Span(700, 800), Condition::kDown, At(1000)}};
  const auto response = Ranking();
  ASSERT_EQ(response.rows_size(), 3);
  EXPECT_EQ(response.rows(0).name(), "settled as down");
  EXPECT_EQ(response.rows(0).fault_class(), v1::FAULT_CLASS_UNSPECIFIED);
  EXPECT_THAT(response.notes(), Contains(HasSubstr("Settled as down: 1.7 h")));
}

TEST_F(FiguresHandlersTest, ASeriesHasARowForEachPeriodAndSumsToTheWindow) {
  window_.set_from("2026-05-30");
  v1::GetAvailabilityRequest request;
  *request.mutable_window() = window_;
  request.set_grouping(v1::GROUPING_KIND);
  request.set_step(v1::STEP_DAY);
  const auto response = handlers_.GetAvailability(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  // Gantries, tunnels, total; 30 and 31 May, 1 June.
  ASSERT_EQ(response->series_size(), 9);
  EXPECT_EQ(response->series(0).group(), "gantry");
  EXPECT_EQ(response->series(0).period(), "2026-05-30");
  EXPECT_EQ(response->series(2).period(), "2026-06-01");
  EXPECT_EQ(response->series(8).group(), "total");
  EXPECT_DOUBLE_EQ(response->series(2).down_seconds(), 120 * kMinute);
  double required = 0;
  for (int i = 6; i < 9; ++i) required += response->series(i).required_seconds();
  EXPECT_DOUBLE_EQ(required, response->total().required_seconds());
}

TEST_F(FiguresHandlersTest, WeeksBeginOnMondayAndMonthsOnTheFirst) {
  window_.set_from("2026-05-29");  // a Friday
  v1::GetAvailabilityRequest request;
  *request.mutable_window() = window_;
  request.set_grouping(v1::GROUPING_FLEET);
  request.set_step(v1::STEP_WEEK);
  const auto weeks = handlers_.GetAvailability(caller_, request);
  ASSERT_TRUE(weeks.ok()) << weeks.status();
  ASSERT_EQ(weeks->series_size(), 4);
  EXPECT_EQ(weeks->series(0).period(), "2026-05-25");
  EXPECT_DOUBLE_EQ(weeks->series(0).required_seconds(), 3 * 3 * 1440 * kMinute);  // of it, three days are asked about
  EXPECT_EQ(weeks->series(1).period(), "2026-06-01");
  request.set_step(v1::STEP_MONTH);
  const auto months = handlers_.GetAvailability(caller_, request);
  ASSERT_TRUE(months.ok()) << months.status();
  EXPECT_EQ(months->series(0).period(), "2026-05-01");
  EXPECT_EQ(months->series(1).period(), "2026-06-01");
}

TEST_F(FiguresHandlersTest, ARollingRowReachesBackBeforeTheWindow) {
  scope_.add_machines("alder/bay-1");
  v1::GetAvailabilityRequest request;
  *request.mutable_scope() = scope_;
  *request.mutable_window() = window_;
  request.set_grouping(v1::GROUPING_FLEET);
  request.set_step(v1::STEP_DAY);
  request.set_rolling_days(7);
  const auto response = handlers_.GetAvailability(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->series_size(), 2);
  EXPECT_DOUBLE_EQ(response->series(0).required_seconds(), 7 * 1440 * kMinute);
  EXPECT_DOUBLE_EQ(response->series(0).down_seconds(), 90 * kMinute);
  request.set_step(v1::STEP_UNSPECIFIED);
  EXPECT_EQ(handlers_.GetAvailability(caller_, request).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresHandlersTest, TheBudgetIsOfTheWholeWindowAndWhatIsLeftIsARange) {
  auto fleet = std::make_shared<Fleet>(*fleet_);
  fleet->sites[0].targets = {{absl::CivilDay(2026, 1, 1), 0.9}, {absl::CivilDay(2026, 6, 3), 0.95}};
  fleet_ = fleet;
  scope_.add_machines("alder/bay-2");
  window_.set_to("2026-06-05");  // four days, of which one is over
  const auto response = Availability(v1::GROUPING_MACHINE);
  ASSERT_EQ(response.rows_size(), 1);
  const v1::AvailabilityRow& row = response.rows(0);
  EXPECT_NEAR(row.target(), 0.925, 1e-12);
  EXPECT_NEAR(row.budget_seconds(), (2 * 1440 * 0.1 + 2 * 1440 * 0.05) * kMinute, 1e-6);
  EXPECT_NEAR(row.budget_left_high_seconds(), row.budget_seconds() - 30 * kMinute, 1e-6);
  EXPECT_NEAR(row.budget_left_low_seconds(), row.budget_left_high_seconds() - 100 * kMinute, 1e-6);
}

TEST_F(FiguresHandlersTest, WithoutATargetThereIsNoBudget) {
  EXPECT_FALSE(Availability(v1::GROUPING_FLEET).rows(0).has_target());
}

TEST_F(FiguresHandlersTest, OutagesComeLatestFirst) {
  for (auto& [machine, history] : store_.histories) {
    for (Spell& spell : history.spells) spell.provenance.first.epoch = EpochId{machine.value};
  }
  store_.histories[MachineId{2}].spells[0].raw_code = "E12";
  epochs_.names[EpochId{2}] = "sixteen bytes ok";
  const auto response = Outages();
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->outages_size(), 3);
  const v1::OutageRow& latest = response->outages(0);
  EXPECT_EQ(latest.machine(), "alder/bay-2");
  EXPECT_EQ(latest.began_us(), absl::ToUnixMicros(At(900)));
  EXPECT_EQ(latest.restored_us(), absl::ToUnixMicros(At(930)));
  EXPECT_DOUBLE_EQ(latest.down_seconds(), 30 * kMinute);
  EXPECT_EQ(latest.first_out_name(), "drive.track_obstructed");
  EXPECT_EQ(latest.raw_code(), "E12");
  EXPECT_EQ(latest.epoch(), "sixteen bytes ok");
  EXPECT_NE(latest.sequence(), 0U);
  EXPECT_EQ(response->outages(1).first_out_name(), "drive.travel_timeout");
  EXPECT_EQ(response->outages(1).epoch(), "");
  EXPECT_EQ(response->total(), 3U);
}

TEST_F(FiguresHandlersTest, OutagesAreNarrowedByClassCountAndWindow) {
  EXPECT_EQ(Outages(1)->outages_size(), 1);
  EXPECT_EQ(Outages(1)->total(), 3U);
  EXPECT_EQ(Outages(0, {kArmClass})->total(), 1U);
  // One that began before the window and lasts into it has its own beginning and its whole down time.
  window_.set_from("2026-06-01T02:00:00Z");
  window_.set_to("2026-06-01T03:00:00Z");
  const auto response = Outages();
  ASSERT_EQ(response->outages_size(), 1);
  EXPECT_EQ(response->outages(0).began_us(), absl::ToUnixMicros(At(100)));
  EXPECT_DOUBLE_EQ(response->outages(0).down_seconds(), 60 * kMinute);
}

TEST_F(FiguresHandlersTest, AnOpenOutageIsNotRestored) {
  store_.histories[MachineId{1}] = WithKnownClasses(HistoryBuilder()
                                                        .Observed(0, kOpen)
                                                        .ObservedUntil(kNow)
                                                        .Fault(kJam, 1400, kOpen, SpellEnd::kOpen)
                                                        .Fault(kArm, 1410, kOpen, SpellEnd::kOpen)
                                                        .Build());
  const auto response = Outages(1);
  ASSERT_EQ(response->outages_size(), 1);
  EXPECT_EQ(response->outages(0).restored_us(), 0);
  EXPECT_TRUE(response->outages(0).restoration_censored());
  EXPECT_DOUBLE_EQ(response->outages(0).down_seconds(), 40 * kMinute);
  ASSERT_EQ(response->outages(0).consequential_size(), 1);
  EXPECT_EQ(response->outages(0).consequential(0), "drive.travel_timeout");
}

TEST_F(FiguresHandlersTest, WhatCannotBeAskedIsRefused) {
  v1::GetAvailabilityRequest request;
  *request.mutable_window() = window_;
  ASSERT_TRUE(handlers_.GetAvailability(caller_, request).ok());
  request.set_confidence(1.5);
  EXPECT_THAT(Message(handlers_.GetAvailability(caller_, request).status()), HasSubstr("between 0 and 1"));
  request.set_confidence(-0.1);
  EXPECT_EQ(handlers_.GetAvailability(caller_, request).status().code(), absl::StatusCode::kInvalidArgument);
  request.set_confidence(0.9);
  request.set_grouping(static_cast<v1::Grouping>(77));
  EXPECT_THAT(Message(handlers_.GetAvailability(caller_, request).status()), HasSubstr("found 77"));
  v1::RankFaultsRequest ranking;
  *ranking.mutable_window() = window_;
  ranking.set_rank_by(static_cast<v1::RankBy>(77));
  EXPECT_EQ(handlers_.RankFaults(caller_, ranking).status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(Message(Outages(0, {4711}).status()), HasSubstr("found 4711"));
  EXPECT_THAT(Message(Outages(10'001).status()), HasSubstr("at most 10000"));
  scope_.add_sites("aldr");
  EXPECT_EQ(Outages().status().code(), absl::StatusCode::kNotFound);
}

TEST_F(FiguresHandlersTest, TheStoresErrorIsPassedOn) {
  store_.status = Unavailable("the database does not answer");
  EXPECT_EQ(Outages().status(), store_.status);
  fleet_ = nullptr;
  store_.status = absl::OkStatus();
  EXPECT_EQ(Outages().status().code(), absl::StatusCode::kUnavailable);
}

}  // namespace
}  // namespace bayward::testing
