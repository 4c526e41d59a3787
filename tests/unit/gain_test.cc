#include "server/figures/gain.h"

#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kNow = 1000;

Gain GainOf(const HistoryBuilder& builder, FaultClassNumber fault_class) {
  const MachineTimeline timeline(builder.Build(), AlwaysOpen(), Span(0, kNow), false);
  const MachineTimeline* const machines[] = {&timeline};
  const Interval windows[] = {Span(0, kNow)};
  const FaultClassNumber classes[] = {fault_class};
  return ComputeGains(machines, windows, classes)[0];
}

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow); }

TEST(GainTest, AloneTakesOnlyTheClassAway) {
  const Gain gain = GainOf(Watched().Fault(kJam, 100, 160).Fault(kLeak, 150, 200), kJam);
  EXPECT_EQ(gain.alone.down, absl::Minutes(50));
  EXPECT_EQ(gain.alone.observed_up(), absl::Minutes(950));
}

TEST(GainTest, WhatAFaultBeganGoesWithIt) {
  const HistoryBuilder builder = Watched().Fault(kJam, 100, 160).Fault(kLeak, 150, 200).Fault(kLeak, 400, 410);
  EXPECT_EQ(GainOf(builder, kJam).with_consequences.down, absl::Minutes(10));
  // The leak began only the second outage.
  EXPECT_EQ(GainOf(builder, kLeak).with_consequences.down, absl::Minutes(60));
}

TEST(GainTest, AClosureBegunDuringItGoesWithIt) {
  const HistoryBuilder builder = Watched().Fault(kJam, 100, 160).Closed(120, 300).Closed(500, 600);
  EXPECT_EQ(GainOf(builder, kJam).alone.withheld, absl::Minutes(280));
  EXPECT_EQ(GainOf(builder, kJam).with_consequences.withheld, absl::Minutes(100));
}

TEST(GainTest, AClassNobodyHadChangesNothing) {
  const Gain gain = GainOf(Watched().Fault(kJam, 100, 160), kLeak);
  EXPECT_EQ(gain.alone.down, absl::Minutes(60));
  EXPECT_EQ(gain.with_consequences.down, absl::Minutes(60));
}

TEST(GainTest, WhatWasSeenMostIsExpectedLessOftenNextTime) {
  const int outages[] = {12, 1, 0, 2, 1, 0, 3, 1};
  const auto factors = NextPeriodFactors(outages, absl::Hours(2000));
  ASSERT_TRUE(factors.ok()) << factors.status();
  EXPECT_LT(*(*factors)[0], 1);
  EXPECT_GT(*(*factors)[0], 0.7) << "twelve are no mere chance";
  EXPECT_GT(*(*factors)[1], 1);
  EXPECT_FALSE((*factors)[2].has_value());
  EXPECT_EQ(*(*factors)[1], *(*factors)[4]);
}

TEST(GainTest, ClassesThatDifferByChanceOnlyAreExpectedAlike) {
  const int outages[] = {3, 2, 2, 1};
  const auto factors = NextPeriodFactors(outages, absl::Hours(1000));
  ASSERT_TRUE(factors.ok()) << factors.status();
  // All are drawn to one rate, (8 + 1/2)/4 a class.
  EXPECT_NEAR(*(*factors)[0] * 3, *(*factors)[3] * 1, 1e-9);
  EXPECT_NEAR(*(*factors)[3], 8.5 / 4, 1e-9);
  EXPECT_FALSE(NextPeriodFactors(outages, absl::ZeroDuration()).ok());
}

}  // namespace
}  // namespace bayward::testing
