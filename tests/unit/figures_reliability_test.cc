// What the Figures service answers about how often machines fail: time and washes between failures, failures by age,
// the laws beside trends, the contract's clock, and what chance leaves open.
#include <cmath>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/api/sampling_interval.h"
#include "tests/support/figures_fixture.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;

constexpr int kWeek = 7 * 1440;

class FiguresReliabilityTest : public FiguresHandlersTest {
 protected:
  FiguresReliabilityTest() {
    scope_.add_machines("alder/bay-1");
    scope_.add_machines("alder/bay-2");
  }

  v1::GetReliabilityResponse Reliability(v1::GetReliabilityRequest request = {}) {
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    if (request.grouping() == v1::GROUPING_UNSPECIFIED) request.set_grouping(v1::GROUPING_FLEET);
    const auto response = handlers_.GetReliability(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::GetReliabilityResponse());
  }

  v1::GetMeanCumulativeResponse MeanCumulative(v1::AgeAxis axis = v1::AGE_AXIS_UNSPECIFIED) {
    v1::GetMeanCumulativeRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    request.set_axis(axis);
    const auto response = handlers_.GetMeanCumulative(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::GetMeanCumulativeResponse());
  }

  v1::TrendRow TrendOfBay1() {
    v1::JudgeTrendsRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    const auto response = handlers_.JudgeTrends(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.ok() ? response->machines(0) : v1::TrendRow();
  }

  // One machine, watched for so many weeks, up to now.
  void Watch(HistoryBuilder builder, int weeks) {
    builder.Observed(0, kOpen).ObservedUntil(weeks * kWeek);
    store_.histories[MachineId{1}] = WithKnownClasses(builder.Build());
    clock_.Advance(absl::Minutes(weeks * kWeek - kNow));
    scope_.Clear();
    scope_.add_machines("alder/bay-1");
  }
};

TEST_F(FiguresReliabilityTest, TimeBetweenFailuresHasChiSquareLimits) {
  // NIST/SEMATECH e-Handbook 8.4.5.1: 800 h and 2 failures give 127.0690 h and 2251.229 h at 90 %. Here 2600 minutes.
  const double hours = 2600.0 / 60;
  const v1::GetReliabilityResponse response = Reliability();
  ASSERT_EQ(response.rows_size(), 1);
  const v1::ReliabilityRow& row = response.rows(0);
  EXPECT_EQ(row.failures(), 2U);
  EXPECT_NEAR(row.up_hours(), hours, 1e-9);
  EXPECT_NEAR(row.mtbf_hours(), hours / 2, 1e-9);
  EXPECT_NEAR(row.mtbf_lower_hours(), 127.0690 / 800 * hours, 1e-5);
  EXPECT_NEAR(row.mtbf_upper_hours(), 2251.229 / 800 * hours, 1e-4);
  EXPECT_NEAR(row.unknown_hours(), 100.0 / 60, 1e-9);
  EXPECT_NEAR(row.mtbf_known_low_hours(), hours / 2, 1e-9);
  EXPECT_NEAR(row.mtbf_known_high_hours(), 2700.0 / 60 / 2, 1e-9);
  EXPECT_FALSE(row.has_dispersion());
  EXPECT_EQ(row.dispersion_weeks(), 1U);
  EXPECT_FALSE(row.has_mtbf_widened_lower_hours());
  EXPECT_EQ(row.cycles_completed(), 1U);
  EXPECT_DOUBLE_EQ(row.cycles_between(), 0.5);
  EXPECT_EQ(response.total().failures(), 2U);
}

TEST_F(FiguresReliabilityTest, TheRateHasExactLimitsAndLeavesOutWhatWasFoundAtOpening) {
  v1::GetReliabilityRequest request;
  request.set_confidence(0.95);
  // Garwood (1936): 2 events, 0.2422 and 7.2247 at 95 %.
  const double hours = 2600.0 / 60;
  const v1::ReliabilityRow row = Reliability(request).rows(0);
  EXPECT_NEAR(row.rate(), 2000 / hours, 1e-9);
  EXPECT_NEAR(row.rate_lower(), 242.2 / hours, 1e-2);
  EXPECT_NEAR(row.rate_upper(), 7224.7 / hours, 1e-2);
  FleetBuilder builder;
  Calendar by_day = AlwaysOpen();
  for (auto& day : by_day.hours.front().days) day = {{480, 1200}};
  builder.AddSite("alder", "north", by_day).AddMachine("bay-1", "gantry").AddMachine("bay-2", "gantry");
  fleet_ = builder.Build();
  store_.histories[MachineId{1}] =
      WithKnownClasses(HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow).Fault(kJam, 100, 600).Build());
  const v1::ReliabilityRow opening = Reliability().rows(0);
  EXPECT_EQ(opening.failures(), 2U);  // bay-2's at minute 900 is in its hours
  EXPECT_EQ(opening.found_at_opening(), 1U);
  EXPECT_NEAR(opening.rate(), 1000 / opening.up_hours(), 1e-9);
  EXPECT_NEAR(opening.mtbf_hours(), opening.up_hours() / 2, 1e-9);
}

TEST_F(FiguresReliabilityTest, AFailureThatEndedTheTimeNarrowsTheLowerLimit) {
  v1::GetReliabilityRequest request;
  request.set_ended_by(v1::ENDED_BY_FAILURE);
  const v1::ReliabilityRow row = Reliability(request).rows(0);
  EXPECT_NEAR(row.mtbf_lower_hours(), 2 * (2600.0 / 60) / 9.487729, 1e-5);  // χ²(0.95; 4)
  EXPECT_NEAR(row.mtbf_upper_hours(), 2251.229 / 800 * 2600.0 / 60, 1e-4);
  // A group without a failure was ended by time all the same.
  request.set_grouping(v1::GROUPING_MACHINE);
  window_.set_from("2026-06-01T06:00:00Z");
  const v1::GetReliabilityResponse machines = Reliability(request);
  ASSERT_EQ(machines.rows_size(), 2);
  EXPECT_FALSE(machines.rows(0).has_mtbf_hours());
  EXPECT_FALSE(machines.rows(0).has_mtbf_upper_hours());
  EXPECT_NEAR(machines.rows(0).mtbf_lower_hours(), 1020.0 / 60 / 2.302585, 1e-5);
  v1::GetReliabilityRequest wrong;
  *wrong.mutable_window() = window_;
  wrong.set_ended_by(static_cast<v1::EndedBy>(9));
  EXPECT_EQ(handlers_.GetReliability(caller_, wrong).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresReliabilityTest, ClustersWidenTheLimits) {
  // Four failures every other week.
  HistoryBuilder builder;
  for (int week = 0; week < 20; week += 2) {
    for (int i = 0; i < 4; ++i) {
      const int at = week * kWeek + 1000 + 300 * i;
      builder.Fault(kJam, at, at + 10).Wash(at + 20, at + 25);
    }
  }
  Watch(builder, 20);
  const v1::GetReliabilityResponse response = Reliability();
  const v1::ReliabilityRow& row = response.rows(0);
  EXPECT_EQ(row.failures(), 40U);
  EXPECT_EQ(row.dispersion_weeks(), 20U);
  EXPECT_NEAR(row.dispersion(), 20 * 4.0 / 2 / 19, 0.02);  // Σ(n − 2)²/2 over 19
  EXPECT_THAT(row.dispersion_words(), HasSubstr("failures come in clusters"));
  EXPECT_LT(row.mtbf_widened_lower_hours(), row.mtbf_lower_hours());
  EXPECT_GT(row.mtbf_widened_upper_hours(), row.mtbf_upper_hours());
  EXPECT_DOUBLE_EQ(row.cycles_between(), 1);
  EXPECT_LT(row.cycles_between_lower(), 1 / 1.3);
}

TEST_F(FiguresReliabilityTest, WhatNobodyObservedHasNoMean) {
  scope_.Clear();
  scope_.add_machines("alder/lane");
  const v1::GetReliabilityResponse response = Reliability();
  EXPECT_FALSE(response.rows(0).has_mtbf_hours());
  EXPECT_FALSE(response.rows(0).has_mtbf_lower_hours());
  EXPECT_TRUE(response.rows(0).provisional());
  EXPECT_THAT(response.notes(), Contains(HasSubstr("24.0 h are unknown")));
}

TEST_F(FiguresReliabilityTest, FailuresByAgeOnUpHoursWhereWashesAreNotReported) {
  const v1::GetMeanCumulativeResponse response = MeanCumulative();
  EXPECT_EQ(response.age_unit(), "up hours");
  EXPECT_EQ(response.axis_reason(), "1 of the machines were up without any wash on record");
  EXPECT_EQ(response.machines(), 2U);
  EXPECT_EQ(response.failures(), 2U);
  EXPECT_EQ(response.left_out(), 0U);
  ASSERT_EQ(response.steps_size(), 2);
  EXPECT_NEAR(response.steps(0).age(), 100.0 / 60, 1e-9);
  EXPECT_EQ(response.steps(0).at_risk(), 2U);
  EXPECT_DOUBLE_EQ(response.steps(0).mean(), 0.5);
  // 800 minutes up in sight, and 100 out of sight of which it was up in 1310 of 1340.
  EXPECT_NEAR(response.steps(1).age(), (800 + 100 * 1310.0 / 1340) / 60, 1e-9);
  EXPECT_DOUBLE_EQ(response.steps(1).mean(), 1);
}

TEST_F(FiguresReliabilityTest, FailuresByWashStartsWhereAsked) {
  const v1::GetMeanCumulativeResponse response = MeanCumulative(v1::AGE_AXIS_WASH_STARTS);
  EXPECT_EQ(response.age_unit(), "wash starts");
  EXPECT_EQ(response.machines(), 1U);
  ASSERT_EQ(response.steps_size(), 1);
  EXPECT_DOUBLE_EQ(response.steps(0).age(), 0.5);  // before the first wash
  EXPECT_DOUBLE_EQ(response.until_age(), 2.5);
  EXPECT_FALSE(response.steps(0).has_lower());
  EXPECT_EQ(response.left_out(), 1U);  // bay-2's, no wash of which is on record
}

// A wash every two hours, failures ever more often.
HistoryBuilder Wearing(int weeks, int failures) {
  HistoryBuilder builder;
  for (int at = 15; at < weeks * kWeek; at += 120) builder.Wash(at, at + 5);
  for (int i = 1; i <= failures; ++i) {
    const int at = static_cast<int>(weeks * kWeek * std::sqrt((i - 0.5) / failures)) / 120 * 120 + 60;
    builder.Fault(kJam, at, at + 10);
  }
  return builder;
}

TEST_F(FiguresReliabilityTest, TrendsOnWashStartsWithTheFactorOverTheWindow) {
  Watch(Wearing(40, 12), 40);
  const v1::TrendRow row = TrendOfBay1();
  EXPECT_EQ(row.exposure_unit(), "wash starts");
  EXPECT_DOUBLE_EQ(row.exposure(), 40 * 7 * 12);
  EXPECT_NEAR(row.up_hours(), 40 * 7 * 24 - 2, 1e-6);
  EXPECT_EQ(row.declustered(), 12U);
  EXPECT_THAT(row.sentence(), HasSubstr("wash starts"));
  EXPECT_FALSE(row.has_power_law_beta());
  EXPECT_GT(row.log_linear_factor(), 2);
  EXPECT_LT(row.log_linear_factor_lower(), row.log_linear_factor());
  EXPECT_GT(row.log_linear_factor_upper(), row.log_linear_factor());
}

TEST_F(FiguresReliabilityTest, ThePowerLawCountsFromCommissioning) {
  const auto commissioned = [&](absl::CivilDay day) {
    FleetBuilder builder;
    builder.AddSite("alder", "north").AddMachine("bay-1", "gantry");
    builder.last_machine().calendar.in_service_from = day;
    fleet_ = builder.Build();
  };
  commissioned(absl::CivilDay(2026, 6, 1));
  Watch(Wearing(40, 12), 40);
  const v1::TrendRow young = TrendOfBay1();
  EXPECT_FALSE(young.has_log_linear_factor());
  // β = n/Σ ln(T/t), t = the washes begun before and a half.
  double sum = 0;
  for (int i = 1; i <= 12; ++i) {
    const int at = static_cast<int>(40 * kWeek * std::sqrt((i - 0.5) / 12)) / 120 * 120 + 60;
    sum += std::log(40 * 7 * 12 / (at / 120 + 1.5));
  }
  EXPECT_NEAR(young.power_law_beta(), 12 / sum, 1e-9);
  EXPECT_LT(young.power_law_beta_lower(), young.power_law_beta());
  // The same failures of a machine a year old are a steeper law, and known less well.
  commissioned(absl::CivilDay(2025, 6, 1));
  const v1::TrendRow old = TrendOfBay1();
  EXPECT_GT(old.power_law_beta(), young.power_law_beta());
  EXPECT_GT(old.power_law_beta_upper() - old.power_law_beta_lower(),
            young.power_law_beta_upper() - young.power_law_beta_lower());
}

TEST_F(FiguresReliabilityTest, RestorationOnTheContractsClock) {
  v1::GetRestorationRequest request;
  *request.mutable_scope() = scope_;
  *request.mutable_window() = window_;
  // Outages 100-160, 200-230 and 900-930; covered 02:00-03:30 is 120-210: 40, 10 and 0 minutes.
  request.set_covered_hours("mon-fri 02:00-03:30");
  const auto response = handlers_.GetRestoration(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  EXPECT_NEAR(response->covered_median_hours(), 10.0 / 60, 1e-9);
  EXPECT_NEAR(response->covered_within_90_hours(), 40.0 / 60, 1e-9);
  EXPECT_NEAR(response->covered_mean_hours(), 50.0 / 3 / 60, 1e-9);
  EXPECT_DOUBLE_EQ(response->median_hours(), 0.5);
  EXPECT_THAT(response->notes(), Contains(HasSubstr("public holidays are not covered")));
  request.clear_covered_hours();
  EXPECT_FALSE(handlers_.GetRestoration(caller_, request)->has_covered_mean_hours());
  request.set_covered_hours("always");
  EXPECT_EQ(handlers_.GetRestoration(caller_, request).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresReliabilityTest, DecisionsOfPeopleAreShownWithTheFigureWithoutThem) {
  scope_.Clear();
  scope_.add_machines("alder/bay-2");
  store_.histories[MachineId{2}].settlements = {{Span(700, 750), Condition::kDown, At(1000)},
                                                {Span(750, 800), Condition::kUp, At(1000)}};
  const v1::AvailabilityRow row = Availability(v1::GROUPING_MACHINE).rows(0);
  EXPECT_DOUBLE_EQ(row.settled_down_seconds(), 50 * kMinute);
  EXPECT_DOUBLE_EQ(row.settled_up_seconds(), 50 * kMinute);
  EXPECT_NEAR(row.availability(), 1360.0 / 1440, 1e-12);
  EXPECT_NEAR(row.availability_without_settlements(), 1310.0 / 1340, 1e-12);
  scope_.add_machines("alder/bay-1");
  EXPECT_FALSE(Availability(v1::GROUPING_MACHINE).rows(0).has_availability_without_settlements());
}

// Two sites with a machine each and one with two; each machine is down for an hour at some day.
class SamplingIntervalTest : public ::testing::Test {
 protected:
  SamplingIntervalTest() {
    FleetBuilder builder;
    builder.AddSite("alder", "north").AddMachine("bay-1", "gantry").AddMachine("bay-2", "gantry");
    builder.AddSite("birch", "north", AlwaysOpenIn("Europe/Helsinki")).AddMachine("bay-1", "gantry");
    fleet_ = builder.Build();
  }

  v1::GetAvailabilityResponse Fill(bool asked, v1::Grouping grouping, std::uint32_t outages) {
    SamplingIntervals intervals(asked, grouping);
    v1::GetAvailabilityResponse response;
    const Interval window = Span(0, 8 * kWeek);
    response.mutable_total()->set_machines(3);
    response.mutable_total()->set_outages(outages);
    for (const Machine& machine : fleet_->machines) {
      HistoryBuilder builder;
      for (int i = 1; i <= 5; ++i)
        builder.Fault(kJam, i * kWeek + machine.id.value * 2000, i * kWeek + 2000 * machine.id.value + 60 * i);
      builder.Observed(0, kOpen).ObservedUntil(8 * kWeek);
      const MachineTimeline timeline(builder.Build(), machine.calendar, window, false);
      intervals.Add(*fleet_->FindSite(machine.site), machine, timeline, window);
      if (grouping != v1::GROUPING_MACHINE) continue;
      v1::AvailabilityRow& row = *response.add_rows();
      row.set_group(machine.full_name);
      row.set_machines(1);
      row.set_outages(outages);
    }
    const absl::Status filled = intervals.Fill(response);
    EXPECT_TRUE(filled.ok()) << filled;
    return response;
  }

  std::shared_ptr<const Fleet> fleet_;
};

TEST_F(SamplingIntervalTest, WeeksOfOneMachineSitesOrDaysOfSeveral) {
  const v1::GetAvailabilityResponse response = Fill(true, v1::GROUPING_MACHINE, 5);
  ASSERT_EQ(response.rows_size(), 3);
  for (const v1::AvailabilityRow& row : response.rows()) {
    EXPECT_EQ(row.sampled_over(), "weeks");
    EXPECT_LT(row.sampling_low(), 1 - 15.0 / (56 * 24));
    EXPECT_GT(row.sampling_high(), 1 - 15.0 / (56 * 24));
  }
  EXPECT_THAT(response.total().sampled_over(), ::testing::AnyOf("sites", "days"));
  EXPECT_LT(response.total().sampling_low(), response.total().sampling_high());
  EXPECT_THAT(response.notes(), ElementsAre(HasSubstr("What chance leaves open")));
  // The same weeks give the same interval.
  EXPECT_EQ(Fill(true, v1::GROUPING_MACHINE, 5).SerializeAsString(), response.SerializeAsString());
}

TEST_F(SamplingIntervalTest, FewOutagesAreTooFewAndUnaskedThereIsNothing) {
  const v1::GetAvailabilityResponse few = Fill(true, v1::GROUPING_MACHINE, 4);
  EXPECT_EQ(few.rows(0).sampled_over(), "too few to say");
  EXPECT_FALSE(few.rows(0).has_sampling_low());
  const v1::GetAvailabilityResponse unasked = Fill(false, v1::GROUPING_MACHINE, 5);
  EXPECT_EQ(unasked.rows(0).sampled_over(), "");
  EXPECT_EQ(unasked.notes_size(), 0);
}

}  // namespace
}  // namespace bayward::testing
