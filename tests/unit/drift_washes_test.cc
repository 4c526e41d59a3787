#include "server/figures/drift_washes.h"

#include <cmath>
#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kDay = 1440;
constexpr int kNow = 200 * kDay;
constexpr std::uint8_t kCustomer = 1, kMember = 2, kStaff = 3, kTest = 4;

// A minute is the builder's unit; what a test changes of a wash it changes in the history.
MachineTimeline Timeline(const MachineHistory& history) {
  return MachineTimeline(history, AlwaysOpen(), Span(0, kNow), false);
}

HistoryBuilder Watched() {
  HistoryBuilder builder;
  builder.Observed(0, testing::kOpen).ObservedUntil(kNow);
  return builder;
}

// "used left used", wash by wash.
std::string Used(const MachineHistory& history) {
  const MachineTimeline timeline = Timeline(history);
  std::string text;
  for (const DriftWash& wash : ReadDriftWashes(timeline).washes) {
    if (!text.empty()) text += ' ';
    text += wash.usable ? "used" : "left";
  }
  return text;
}

TEST(DriftWashesTest, CompletedOnesOnly) {
  EXPECT_EQ(
      Used(
          Watched().Wash(10, 15).Wash(20, 23, CycleOutcome::kAborted).Wash(30, 90, CycleOutcome::kAbandoned).Build()),
      "used left left");
}

TEST(DriftWashesTest, SoldOnesOnly) {
  MachineHistory history = Watched().Wash(10, 15).Wash(20, 25).Wash(30, 35).Wash(40, 45).Wash(50, 55).Build();
  const std::uint8_t sold_as[] = {0, kCustomer, kMember, kStaff, kTest};
  for (std::size_t i = 0; i < 5; ++i) history.cycles[i].sold_as = sold_as[i];
  EXPECT_EQ(Used(history), "used used used left left");
}

TEST(DriftWashesTest, AStartMustBeKnownAndBeforeTheEnd) {
  MachineHistory history = Watched().Wash(10, 15).Wash(20, 25).Wash(30, 30).Build();
  history.cycles[1].started_at = absl::InfinitePast();
  EXPECT_EQ(Used(history), "used left left");
}

// A clock set back voids the stretch: what ends in it is no wash at all, what lies over it or begins in it is left
// out, and what begins where it ends is used.
TEST(DriftWashesTest, NotOverAClockStep) {
  EXPECT_EQ(
      Used(Watched().Voided(100, 110).Wash(94, 99).Wash(98, 105).Wash(90, 120).Wash(105, 121).Wash(110, 122).Build()),
      "used left left used");
}

TEST(DriftWashesTest, NotOverALossOrAGap) {
  EXPECT_EQ(Used(HistoryBuilder()
                     .Observed(0, 100)
                     .Observed(200, testing::kOpen)
                     .ObservedUntil(kNow)
                     .Wash(95, 100)
                     .Wash(99, 201)
                     .Wash(150, 160)
                     .Wash(190, 205)
                     .Wash(200, 206)
                     .Build()),
            "used left left left used");
}

TEST(DriftWashesTest, WatchingThatGoesOnWithoutAGapIsNone) {
  EXPECT_EQ(
      Used(HistoryBuilder().Observed(0, 100).Observed(100, testing::kOpen).ObservedUntil(kNow).Wash(95, 105).Build()),
      "used");
}

TEST(DriftWashesTest, MaintenanceIsWhereUpkeepOrAVisitEnds) {
  const MachineTimeline timeline = Timeline(Watched()
                                                .Closed(100, 200, ModeReason::kUpkeep)
                                                .Closed(300, 400, ModeReason::kFrost)
                                                .Occupied(500, 560)
                                                .Closed(600, testing::kOpen, ModeReason::kUpkeep)
                                                .Build());
  EXPECT_THAT(ReadDriftWashes(timeline).maintenance, ::testing::ElementsAre(At(200), At(560)));
}

TEST(DriftWashesTest, TheRateIsOverTheTimeOfUsableWashesButAtLeastAWeek) {
  const MachineTimeline few = Timeline(Watched().Wash(10, 15).Wash(20, 25).Build());
  EXPECT_DOUBLE_EQ(ReadDriftWashes(few).usable_per_week, 2);
  HistoryBuilder builder = Watched();
  for (int day = 0; day <= 28; ++day) builder.Wash(day * kDay, day * kDay + 5);
  const MachineTimeline daily = Timeline(builder.Build());
  EXPECT_EQ(ReadDriftWashes(daily).usable, 29);
  EXPECT_DOUBLE_EQ(ReadDriftWashes(daily).usable_per_week, 29.0 / 4);
  const MachineTimeline none = Timeline(Watched().Build());
  EXPECT_EQ(ReadDriftWashes(none).usable_per_week, 0);
}

TEST(DriftWashesTest, DesignRatesAreRoundedUpToTwoDigits) {
  EXPECT_DOUBLE_EQ(DesignRate(0), 1);
  EXPECT_DOUBLE_EQ(DesignRate(0.2), 1);
  EXPECT_DOUBLE_EQ(DesignRate(4.01), 4.1);
  EXPECT_DOUBLE_EQ(DesignRate(40), 40);
  EXPECT_DOUBLE_EQ(DesignRate(283.2), 290);
  EXPECT_DOUBLE_EQ(DesignRate(1001), 1100);
}

std::vector<DriftWash> Lasting(const std::vector<double>& seconds) {
  std::vector<DriftWash> washes;
  for (const double value : seconds) {
    DriftWash& wash = washes.emplace_back();
    wash.finished_at = At(static_cast<int>(washes.size()));
    wash.duration = absl::Seconds(value);
  }
  return washes;
}

// 300 s give or take nine steps, `fraction` of a step added.
std::vector<double> Stepped(double step, double fraction = 0) {
  std::vector<double> seconds;
  for (int i = 0; i < 95; ++i) seconds.push_back(300 + step * ((i * 7) % 19 - 9 + fraction * (i % 2 == 0 ? 1 : -1)));
  return seconds;
}

TEST(DurationStepTest, IsReadFromTheDurations) {
  for (const double step : {10.0, 5.0, 1.0, 0.5, 0.01}) {
    EXPECT_EQ(EstimateDurationStep(Lasting(Stepped(step))), absl::Seconds(step)) << step;
    EXPECT_EQ(EstimateDurationStep(Lasting(Stepped(step, 0.04))), absl::Seconds(step)) << step;
  }
}

TEST(DurationStepTest, OneSecondWhereNothingTells) {
  EXPECT_EQ(EstimateDurationStep({}), absl::Seconds(1));
  EXPECT_EQ(EstimateDurationStep(Lasting(std::vector<double>(20, 300.0))), absl::Seconds(1));
  // All alike: multiples of 60, but no step was seen.
  EXPECT_EQ(EstimateDurationStep(Lasting(std::vector<double>(200, 300.0))), absl::Seconds(1));
}

TEST(DurationStepTest, NoneWhereDurationsAreFinerThanAMillisecond) {
  std::vector<double> seconds;
  for (int i = 0; i < 200; ++i) seconds.push_back(300 + 20 * std::sin(i * 1.7));
  EXPECT_EQ(EstimateDurationStep(Lasting(seconds)), absl::ZeroDuration());
}

TEST(DurationStepTest, ProgrammesAreComparedWithThemselvesAndUnusableOnesNotAtAll) {
  std::vector<DriftWash> washes = Lasting(Stepped(1));
  for (std::size_t i = 0; i < washes.size(); ++i) {
    if (i % 3 == 0) {
      washes[i].programme = "long";
      washes[i].duration += absl::Seconds(180);
    }
  }
  EXPECT_EQ(EstimateDurationStep(washes), absl::Seconds(1));
  for (DriftWash wash : Lasting(Stepped(0.37))) {
    wash.usable = false;
    washes.push_back(wash);
  }
  EXPECT_EQ(EstimateDurationStep(washes), absl::Seconds(1));
}

// Thirty washes a day of about five minutes, two minutes longer from a day on; upkeep ends on another.
MachineHistory Slowed(int from_day, int upkeep_day) {
  HistoryBuilder builder = Watched();
  for (int day = 0; day < 100; ++day) {
    for (int i = 0; i < 30; ++i) {
      const int start = day * kDay + 480 + i * 20;
      builder.Wash(start, start + 5 + (i % 3) + (day >= from_day ? 2 : 0));
    }
  }
  if (upkeep_day > 0) builder.Closed(upkeep_day * kDay - 60, upkeep_day * kDay, ModeReason::kUpkeep);
  return builder.Build();
}

TEST(ComputeCycleDriftTest, TellsSinceWhenAndByHowMuch) {
  const MachineTimeline timeline = Timeline(Slowed(60, 0));
  const DriftHistory history = ReadDriftWashes(timeline);
  const auto drift = ComputeCycleDrift(history, *SolveDriftDesign(DesignRate(history.usable_per_week)));
  ASSERT_TRUE(drift.ok()) << drift.status();
  ASSERT_EQ(drift->state, DriftState::kSlower);
  EXPECT_LE(absl::AbsDuration(drift->slower->began_at - At(60 * kDay)), absl::Hours(24));
  // Durations of five, six and seven minutes: the middle one against the baseline's.
  EXPECT_EQ(drift->slower->shift, absl::Minutes(2));
  EXPECT_EQ(drift->skipped, 0);
}

TEST(ComputeCycleDriftTest, UpkeepBeginsAnew) {
  const MachineTimeline slower = Timeline(Slowed(60, 60));
  const DriftHistory history = ReadDriftWashes(slower);
  const auto drift = ComputeCycleDrift(history, *SolveDriftDesign(200));
  ASSERT_TRUE(drift.ok()) << drift.status();
  EXPECT_EQ(drift->state, DriftState::kSteady);
  EXPECT_EQ(drift->reset_at, At(60 * kDay));
  // Upkeep after the last wash counts, too.
  const MachineTimeline at_end = Timeline(Slowed(60, 150));
  const auto reset = ComputeCycleDrift(ReadDriftWashes(at_end), *SolveDriftDesign(200));
  ASSERT_TRUE(reset.ok()) << reset.status();
  EXPECT_EQ(reset->state, DriftState::kReset);
}

}  // namespace
}  // namespace bayward::testing
