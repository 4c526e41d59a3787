// What the Figures service answers beyond sums of time: gain, the window before, comparison, trend, restoration, repeats.
#include "gtest/gtest.h"
#include "tests/support/figures_fixture.h"

namespace bayward::testing {
namespace {

using FiguresStatisticsTest = FiguresHandlersTest;

TEST_F(FiguresStatisticsTest, GainIsWhatAvailabilityWouldHaveBeen) {
  scope_.add_machines("alder/bay-1");
  v1::RankFaultsRequest request;
  *request.mutable_scope() = scope_;
  *request.mutable_window() = window_;
  request.set_with_gain(true);
  const auto response = handlers_.RankFaults(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->rows_size(), 2);
  EXPECT_NEAR(response->rows(0).availability_as_is(), 1290.0 / 1380, 1e-12);
  EXPECT_NEAR(response->rows(0).availability_without(), 1350.0 / 1380, 1e-12);
  EXPECT_NEAR(response->rows(1).availability_without_consequences(), 1320.0 / 1380, 1e-12);
  EXPECT_FALSE(response->rows(0).has_rank_before());
}

TEST_F(FiguresStatisticsTest, TheWindowBeforeIsComparedPerRequiredHour) {
  scope_.add_machines("alder/bay-1");
  window_.set_from("2026-06-01T03:00:00Z");
  window_.set_to("2026-06-01T06:00:00Z");
  v1::RankFaultsRequest request;
  *request.mutable_scope() = scope_;
  *request.mutable_window() = window_;
  request.set_with_window_before(true);
  const auto response = handlers_.RankFaults(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  // From minute 180 to 360 only the arm, 30 minutes; in the three hours before only the jam, an hour.
  ASSERT_EQ(response->rows_size(), 1);
  EXPECT_EQ(response->rows(0).name(), "drive.travel_timeout");
  EXPECT_NEAR(response->rows(0).per_thousand_required(), 1000 * 0.5 / 3, 1e-9);
  EXPECT_NEAR(response->rows(0).per_thousand_required_before(), 0, 1e-12);
  EXPECT_EQ(response->rows(0).rank_before(), 0U);
}

TEST_F(FiguresStatisticsTest, MachinesAreComparedWithinTheirKind) {
  v1::CompareMachinesRequest request;
  *request.mutable_window() = window_;
  const auto response = handlers_.CompareMachines(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->kinds_size(), 2);
  const v1::ComparedKind& gantry = response->kinds(0);
  EXPECT_EQ(gantry.kind(), "gantry");
  EXPECT_FALSE(gantry.too_few());
  ASSERT_EQ(gantry.machines_size(), 4);
  EXPECT_EQ(gantry.machines(0).failures(), 1U);
  EXPECT_GT(gantry.machines(0).up_hours(), 20);
  EXPECT_LE(gantry.machines(0).rate_lower(), gantry.machines(0).rate());
  EXPECT_LE(gantry.machines(0).rate(), gantry.machines(0).rate_upper());
  // Drawn towards the other machine of the kind.
  EXPECT_NEAR(gantry.pooled_rate(), 1000 * 2 / (1290.0 / 60 + 1310.0 / 60), 1e-6);
  EXPECT_TRUE(response->kinds(1).too_few());  // the tunnel was never observed
  request.set_confidence(2);
  EXPECT_EQ(handlers_.CompareMachines(caller_, request).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresStatisticsTest, TrendsSayWhenThereIsTooLittle) {
  v1::JudgeTrendsRequest request;
  *request.mutable_window() = window_;
  const auto response = handlers_.JudgeTrends(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->machines_size(), 5);
  EXPECT_EQ(response->machines(0).machine(), "alder/bay-1");
  EXPECT_EQ(response->machines(0).verdict(), "too few to say");
  EXPECT_EQ(response->machines(0).failures(), 1U);
  EXPECT_FALSE(response->machines(0).has_z());
  EXPECT_EQ(response->fleet().machine(), "fleet");
  request.set_level(0.6);
  EXPECT_EQ(handlers_.JudgeTrends(caller_, request).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresStatisticsTest, RestorationCountsWhatBecameOfTheOutages) {
  v1::GetRestorationRequest request;
  *request.mutable_window() = window_;
  const auto all = handlers_.GetRestoration(caller_, request);
  ASSERT_TRUE(all.ok()) << all.status();
  EXPECT_EQ(all->begun(), 3U);
  EXPECT_EQ(all->restored(), 3U);
  EXPECT_DOUBLE_EQ(all->median_hours(), 0.5);
  EXPECT_DOUBLE_EQ(all->mean_of_restored_hours(), 2.0 / 3);
  EXPECT_DOUBLE_EQ(all->mean_down_seconds(), 40 * kMinute);
  ASSERT_EQ(all->curve_size(), 2);
  EXPECT_DOUBLE_EQ(all->curve(0).hours(), 0.5);
  EXPECT_NEAR(all->curve(0).not_restored(), 1.0 / 3, 1e-12);
  request.add_fault_classes(v1::FAULT_CLASS_DRIVE_TRACK_OBSTRUCTED);
  const auto jams = handlers_.GetRestoration(caller_, request);
  ASSERT_TRUE(jams.ok()) << jams.status();
  EXPECT_EQ(jams->begun(), 2U);
  request.add_fault_classes(v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  EXPECT_EQ(handlers_.GetRestoration(caller_, request).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresStatisticsTest, RepeatsCountOnlyWhatWasWatchedAfterwards) {
  // The fault comes back an hour after; then three days are watched.
  clock_.Advance(absl::Hours(24 * 5));
  store_.histories[MachineId{1}] = WithKnownClasses(HistoryBuilder()
                                                        .Observed(0, kOpen)
                                                        .ObservedUntil(6 * 1440)
                                                        .Fault(kJam, 100, 160)
                                                        .Fault(kJam, 220, 230)
                                                        .Wash(600, 610)
                                                        .Build());
  scope_.add_machines("alder/bay-1");
  v1::RankRepeatsRequest request;
  *request.mutable_scope() = scope_;
  *request.mutable_window() = window_;
  request.set_grouping(v1::REPEAT_GROUPING_MACHINE_AND_CLASS);
  const auto response = handlers_.RankRepeats(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->rows_size(), 1);
  const v1::RepeatFaultRow& row = response->rows(0);
  EXPECT_EQ(row.machine(), "alder/bay-1");
  EXPECT_EQ(row.name(), "drive.track_obstructed");
  EXPECT_EQ(row.restored(), 2U);
  EXPECT_EQ(row.followed(), 2U);
  EXPECT_EQ(row.repeats(), 1U);
  EXPECT_EQ(row.held(), 1U);
  EXPECT_DOUBLE_EQ(row.rate(), 0.5);
  EXPECT_LT(row.rate_lower(), 0.02);
}

}  // namespace
}  // namespace bayward::testing
