#include "server/figures/exposure_choice.h"

#include <limits>
#include <utility>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/figures/forecast_scores.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

using ::testing::HasSubstr;
using Months = std::vector<ExposedMonth>;

// Busy and quiet months by turns, up as long in both: failures follow the washes.
Months ByWashes(int months) {
  Months machine;
  for (int m = 0; m < months; ++m) machine.push_back({m % 2 == 0 ? 1 : 5, 300, m % 2 == 0 ? 500.0 : 2500.0});
  return machine;
}

// Washes by turns, up as long in both: failures do not care.
Months ByHours(int months) {
  Months machine = ByWashes(months);
  for (ExposedMonth& month : machine) month.failures = 3;
  return machine;
}

ExposureChoice Choose(const std::vector<Months>& machines, std::optional<double> washes_seen = 1.0) {
  const auto choice = ChooseExposure(machines, washes_seen);
  EXPECT_TRUE(choice.ok()) << choice.status();
  return choice.value_or(ExposureChoice());
}

TEST(ExposureChoiceTest, WashStartsWhereFailuresFollowThem) {
  const ExposureChoice choice = Choose({ByWashes(6), ByWashes(6), ByWashes(6)});
  EXPECT_EQ(choice.unit, FailureAxis::kWashStarts);
  EXPECT_EQ(choice.months, 5);
  EXPECT_EQ(choice.failures, 3 * 17);
  EXPECT_LT(*choice.score_wash_starts, *choice.score_up_hours);
  EXPECT_GE(choice.better_in, 4);
  EXPECT_THAT(choice.reason, HasSubstr("5 months held back with 51 failures: wash starts foretold them better"));
}

TEST(ExposureChoiceTest, UpHoursWhereFailuresFollowThose) {
  const ExposureChoice choice = Choose({ByHours(6), ByHours(6), ByHours(6)});
  EXPECT_EQ(choice.unit, FailureAxis::kUpHours);
  EXPECT_LT(*choice.score_up_hours, *choice.score_wash_starts);
  EXPECT_THAT(choice.reason, HasSubstr("up hours foretold them better than wash starts did"));
}

TEST(ExposureChoiceTest, ScoresAreThoseOfTheForecastsWithTheExposureThatCame) {
  const std::vector<Months> machines = {{{2, 300, 900}, {0, 200, 1100}, {3, 310, 2000}, {9, 290, 2600}},
                                        {{6, 310, 1900}, {1, 100, 150}, {4, 330, 1600}, {2, 300, 700}},
                                        {{0, 250, 700}, {2, 300, 1400}, {1, 280, 900}, {1, 310, 1000}}};
  const ExposureChoice choice = Choose(machines);
  for (const FailureAxis axis : {FailureAxis::kUpHours, FailureAxis::kWashStarts}) {
    ForecastHistory history;
    for (const Months& machine : machines) {
      auto& periods = history.emplace_back();
      for (const ExposedMonth& month : machine) {
        const double exposure = axis == FailureAxis::kUpHours ? month.up_hours : month.wash_starts;
        periods.push_back({{month.failures, exposure}, {exposure}});
      }
    }
    const auto scores = ScoreForecasts(history, 1);
    ASSERT_TRUE(scores.ok() && scores->has_value());
    double sum = 0;
    for (const OriginScore& origin : (*scores)->shrunk.by_origin) sum += 3 * origin.log;
    EXPECT_NEAR(axis == FailureAxis::kUpHours ? *choice.score_up_hours : *choice.score_wash_starts, sum, 1e-9);
  }
}

TEST(ExposureChoiceTest, UnitsAndOrderOfMachinesAreOfNoConsequence) {
  std::vector<Months> machines = {ByWashes(5), ByHours(5), ByWashes(5)};
  const ExposureChoice as_is = Choose(machines);
  std::swap(machines[0], machines[1]);
  for (Months& machine : machines) {
    for (ExposedMonth& month : machine) month.up_hours *= 60;
  }
  const ExposureChoice other = Choose(machines);
  EXPECT_NEAR(*other.score_up_hours, *as_is.score_up_hours, 1e-6);
  EXPECT_NEAR(*other.score_wash_starts, *as_is.score_wash_starts, 1e-6);
}

TEST(ExposureChoiceTest, OfManyMachinesFewerMonthsAreHeldBack) {
  const auto months = [](std::size_t machines) { return Choose(std::vector<Months>(machines, ByWashes(12))).months; };
  EXPECT_EQ(months(400), 11);
  EXPECT_EQ(months(800), 5);
  EXPECT_EQ(months(1500), 4);
}

TEST(ExposureChoiceTest, UpHoursWhereBothDoAlike) {
  Months machine = ByHours(6);
  for (ExposedMonth& month : machine) month.wash_starts = 8 * month.up_hours;
  const ExposureChoice choice = Choose({machine, machine});
  EXPECT_EQ(choice.unit, FailureAxis::kUpHours);
  EXPECT_THAT(choice.reason, HasSubstr("as well as up hours did"));
}

TEST(ExposureChoiceTest, MonthsWithoutWashesOrUpHoursAreNotScored) {
  Months machine = ByWashes(6);
  const ExposureChoice without = Choose({machine, machine});
  // A machine that broke down in months without a wash, and one in months without up time.
  const Months idle(6, ExposedMonth{7, 300, 0});
  const Months down(6, ExposedMonth{7, 0, 40});
  const ExposureChoice with = Choose({machine, machine, idle, down});
  EXPECT_NEAR(*with.score_up_hours, *without.score_up_hours, 1e-9);
  EXPECT_NEAR(*with.score_wash_starts, *without.score_wash_starts, 1e-9);
  EXPECT_EQ(with.failures, without.failures);
}

TEST(ExposureChoiceTest, UpHoursAndWhyWhereThereIsTooLittleToTry) {
  const ExposureChoice few_months = Choose({ByWashes(2), ByWashes(2)});
  EXPECT_EQ(few_months.unit, FailureAxis::kUpHours);
  EXPECT_THAT(few_months.reason, HasSubstr("too few whole months to try wash starts as well: 2, 3 are needed"));
  EXPECT_FALSE(few_months.score_up_hours.has_value());
  EXPECT_EQ(Choose({ByWashes(3), ByWashes(3)}).unit, FailureAxis::kWashStarts);

  Months sparse = ByWashes(6);
  for (ExposedMonth& month : sparse) month.failures = month.failures == 5 ? 3 : 0;
  const ExposureChoice few_failures = Choose({sparse});
  EXPECT_EQ(few_failures.unit, FailureAxis::kUpHours);
  EXPECT_THAT(few_failures.reason, HasSubstr("too few failures to try wash starts as well: 9 in the 5 months"));

  const ExposureChoice unseen = Choose({ByWashes(6), ByWashes(6)}, 0.9499);
  EXPECT_EQ(unseen.unit, FailureAxis::kUpHours);
  EXPECT_THAT(unseen.reason, HasSubstr("only 94 % of the washes were seen, 95 % are needed"));
  EXPECT_EQ(Choose({ByWashes(6), ByWashes(6)}, 0.95).unit, FailureAxis::kWashStarts);

  EXPECT_THAT(Choose({ByWashes(6)}, std::nullopt).reason, HasSubstr("told of no wash"));
  EXPECT_EQ(Choose({}).unit, FailureAxis::kUpHours);
}

TEST(ExposureChoiceTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const std::vector<Months>& machines) { return ChooseExposure(machines, 1).status().code(); };
  EXPECT_EQ(code({ByWashes(4), ByWashes(4)}), absl::StatusCode::kOk);
  EXPECT_EQ(code({ByWashes(4), ByWashes(5)}), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(code({{{-1, 1, 1}}}), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(code({{{1, -1, 1}}}), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(code({{{1, 1, std::numeric_limits<double>::infinity()}}}), absl::StatusCode::kInvalidArgument);
}

constexpr int kNow = 10000;

MachineTimeline Timeline(const HistoryBuilder& builder) {
  return MachineTimeline(builder.Build(), AlwaysOpen(), Span(0, kNow), false);
}

TEST(WashesToldTest, HoursWithoutSightAndBeforeTheFirstWashOnRecordAreUntold) {
  HistoryBuilder builder;
  builder.Observed(600, 1200)
      .Observed(1800, kOpen)
      .ObservedUntil(kNow)
      .Wash(700, 720)
      .Wash(2400, 2410)
      .Wash(3000, 3010);
  const MachineTimeline timeline = Timeline(builder);
  const WashesTold told = ReadWashes(timeline, Span(0, 3600));
  EXPECT_EQ(told.washes, 3);
  EXPECT_DOUBLE_EQ(told.told_hours, (1200 - 720 + 3600 - 1800) / 60.0);
  // Nothing counts before the machine was first observed.
  EXPECT_DOUBLE_EQ(told.untold_hours, (720 - 600 + 600) / 60.0);
  EXPECT_EQ(ReadWashes(timeline, Span(721, 2410)).washes, 0);
  EXPECT_EQ(ReadWashes(timeline, Span(721, 2411)).washes, 1);
}

TEST(WashesToldTest, AMachineWithoutAWashTellsOfNoneForAllItsHours) {
  const WashesTold told =
      ReadWashes(Timeline(HistoryBuilder().Observed(600, kOpen).ObservedUntil(kNow)), Span(0, 1200));
  EXPECT_EQ(told.washes, 0);
  EXPECT_DOUBLE_EQ(told.told_hours, 0);
  EXPECT_DOUBLE_EQ(told.untold_hours, 10);
  const WashesTold never_seen = ReadWashes(Timeline(HistoryBuilder()), Span(0, 1200));
  EXPECT_DOUBLE_EQ(never_seen.untold_hours, 0);
  const WashesTold later =
      ReadWashes(Timeline(HistoryBuilder().Observed(2000, kOpen).ObservedUntil(kNow)), Span(0, 1200));
  EXPECT_DOUBLE_EQ(later.untold_hours, 0);
}

TEST(WashesToldTest, TheShareTakesUntoldHoursToBeAsBusyAsTheOthers) {
  const auto share = [](const std::vector<WashesTold>& machines) { return ShareOfWashesSeen(machines); };
  EXPECT_FALSE(share({}).has_value());
  EXPECT_FALSE(share({{0, 0, 40}}).has_value());
  EXPECT_DOUBLE_EQ(*share({{100, 50, 0}}), 1);
  EXPECT_DOUBLE_EQ(*share({{100, 50, 50}}), 0.5);
  // Two an hour, and a machine up 100 h that told of none.
  EXPECT_DOUBLE_EQ(*share({{100, 50, 0}, {0, 0, 100}}), 100.0 / 300);
}

}  // namespace
}  // namespace bayward::testing
