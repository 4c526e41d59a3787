#include "server/figures/exposure.h"

#include "gtest/gtest.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kNow = 10000;

MachineTimeline Timeline(const HistoryBuilder& builder) {
  return MachineTimeline(builder.Build(), AlwaysOpen(), Span(0, kNow), false);
}

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow); }

TEST(UpClockTest, RunsOnlyWhileTheMachineIsUp) {
  const MachineTimeline timeline = Timeline(Watched().Fault(kJam, 60, 120).Fault(kMains, 180, 240).Fault(kWorn, 300, 360));
  const UpClock clock(timeline, Span(0, 600));
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(0)), 0);
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(60)), 1);
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(90)), 1);
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(150)), 1.5);
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(240)), 2);
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(360)), 4);  // degraded is up
  EXPECT_DOUBLE_EQ(clock.hours(), 8);
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(5000)), 8);
}

TEST(UpClockTest, BeginsWithItsWindow) {
  const MachineTimeline timeline = Timeline(Watched());
  const UpClock clock(timeline, Span(600, 1200));
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(300)), 0);
  EXPECT_DOUBLE_EQ(clock.HoursAt(At(660)), 1);
  EXPECT_DOUBLE_EQ(clock.hours(), 10);
}

TEST(FailuresWithinTest, CountsTheMachinesOwnFailuresAndLeavesRepeatsOutIfTold) {
  HistoryBuilder builder = Watched();
  builder.Fault(kJam, 100, 110).Wash(120, 125).Fault(kJam, 200, 210).Wash(220, 225).Fault(kArm, 300, 310);
  builder.Fault(kJam, 6000, 6010).Found(kLeak, 7000, 7010);
  const MachineTimeline timeline = Timeline(builder);
  EXPECT_EQ(FailuresWithin(timeline, Span(0, kNow), true), (std::vector<absl::Time>{At(100), At(200), At(6000)}));
  EXPECT_EQ(FailuresWithin(timeline, Span(0, kNow), false), (std::vector<absl::Time>{At(100), At(6000)}));
  EXPECT_EQ(FailuresWithin(timeline, Span(150, 6000), true), (std::vector<absl::Time>{At(200)}));
}

}  // namespace
}  // namespace bayward::testing
