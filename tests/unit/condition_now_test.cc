#include "gtest/gtest.h"
#include "server/timeline/condition.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

// What the state says at once and what the conditions say when computed from it as of a moment later.
void ExpectNow(const FoldedAgent& agent, Condition condition, int since) {
  const NowCondition now = ConditionNow(agent.state, /*observed=*/true, /*required_now=*/true);
  EXPECT_EQ(now.condition, condition);
  EXPECT_EQ(now.since, At(since));
  constexpr int kLater = 1000;
  const auto spans = ComputeConditions(agent.History(kLater), IntervalSet{Span(kLater - 1, kLater)},
                                       /*count_rehearsal=*/false);
  ASSERT_EQ(spans.size(), 1u);
  EXPECT_EQ(spans[0].condition, condition);
}

FoldedAgent Watching() { return FoldedAgent().Started(0).Shows(0, {}); }

TEST(ConditionNowTest, FollowsTheFirstRuleThatApplies) {
  ExpectNow(Watching(), Condition::kUp, kNever);
  ExpectNow(Watching().Raised(5, kWorn, Effect::kDegrading), Condition::kDegraded, 5);
  ExpectNow(Watching().Raised(5, kMains), Condition::kWithheld, 5);
  ExpectNow(Watching().Raised(5, kMains).Raised(7, kJam).Raised(8, kLeak), Condition::kDown, 7);
  ExpectNow(Watching().Raised(5, kJam).Cleared(6, kJam), Condition::kUp, kNever);
}

TEST(ConditionNowTest, OutsideRequiredTimeNothingCounts) {
  EXPECT_EQ(ConditionNow(Watching().Raised(5, kJam).state, true, false).condition, Condition::kNotRequired);
}

TEST(ConditionNowTest, AMachineOutOfSightIsUnknownWhateverWasOpen) {
  ExpectNow(Watching().Lost(20, 20), Condition::kUnknown, 20);
  ExpectNow(Watching().Raised(5, kJam).Lost(20, 20), Condition::kUnknown, 20);
  ExpectNow(Watching().ModeIs(6, Mode::kClosed).Lost(20, 20), Condition::kUnknown, 20);
  ExpectNow(Watching().Raised(5, kJam).Lost(20, 20).Started(30).Shows(30, {kJam}), Condition::kDown, 5);
}

TEST(ConditionNowTest, ASilentAgentLeavesTheMachineUnknown) {
  EXPECT_EQ(ConditionNow(Watching().state, false, true).condition, Condition::kUnknown);
  EXPECT_EQ(ConditionNow(Watching().state, true, true).condition, Condition::kUp);
}

TEST(ConditionNowTest, AClosureBeforeTheFaultWithholds) {
  ExpectNow(Watching().ModeIs(5, Mode::kClosed).Raised(7, kJam), Condition::kWithheld, 5);
  ExpectNow(Watching().ModeIs(5, Mode::kClosed).Raised(7, kJam).ModeIs(9, Mode::kInService), Condition::kDown,
            7);
}

TEST(ConditionNowTest, AClosureDuringTheFaultStaysDownUntilNoneIsActive) {
  FoldedAgent agent = Watching().Raised(5, kJam).ModeIs(7, Mode::kClosed);
  ExpectNow(agent, Condition::kDown, 5);
  agent.Raised(8, kLeak).Cleared(9, kJam);
  ExpectNow(agent, Condition::kDown, 8);
  agent.Cleared(10, kLeak);
  ExpectNow(agent, Condition::kWithheld, 7);
  agent.Raised(11, kLeak);
  ExpectNow(agent, Condition::kWithheld, 7);
}

TEST(ConditionNowTest, AClosureWithTheFaultWasNotBeforeIt) {
  ExpectNow(Watching().ModeIs(5, Mode::kClosed).Raised(5, kJam), Condition::kDown, 5);
  ExpectNow(Watching().Lost(3, 3).Started(5).Shows(5, {kJam}, Mode::kClosed), Condition::kDown, 5);
}

TEST(ConditionNowTest, AnOccupationKeepsTheMachineAsItFoundIt) {
  FoldedAgent found_up = Watching().ModeIs(5, Mode::kOccupied).Raised(7, kJam);
  ExpectNow(found_up, Condition::kWithheld, 5);
  ExpectNow(found_up.ModeIs(9, Mode::kInService), Condition::kDown, 7);

  FoldedAgent found_down = Watching().Raised(3, kJam).ModeIs(5, Mode::kOccupied);
  ExpectNow(found_down, Condition::kDown, 3);
  ExpectNow(found_down.Cleared(7, kJam), Condition::kDown, 5);
  ExpectNow(found_down.ModeIs(9, Mode::kInService), Condition::kUp, kNever);
}

TEST(ConditionNowTest, AnOccupationOfAClosedMachineWithholds) {
  FoldedAgent agent = Watching().ModeIs(2, Mode::kClosed).Raised(3, kJam).ModeIs(5, Mode::kOccupied);
  ExpectNow(agent, Condition::kWithheld, 5);
  // The occupation broke the closure: the next one began during the fault.
  ExpectNow(agent.ModeIs(6, Mode::kClosed), Condition::kDown, 3);
}

TEST(ConditionNowTest, AFaultThroughAGapWithAnUnconfirmedClosureIsDown) {
  FoldedAgent agent = Watching().ModeIs(2, Mode::kClosed, ModeReason::kFrost).Raised(3, kJam).Lost(10, 10);
  agent.Started(20).Shows(20, {kJam}).ModeIs(21, Mode::kClosed, ModeReason::kFrost);
  ExpectNow(agent, Condition::kDown, 3);
}

TEST(ConditionNowTest, AFaultRecordedWithDelayCountsFromWhenItRose) {
  ExpectNow(Watching().ModeIs(5, Mode::kClosed).Raised(4, kJam), Condition::kDown, 4);
  ExpectNow(Watching().ModeIs(5, Mode::kClosed).Raised(6, kLeak).Raised(4, kJam), Condition::kDown, 4);
  ExpectNow(Watching().ModeIs(5, Mode::kOccupied).Raised(4, kJam), Condition::kDown, 4);
  ExpectNow(Watching().ModeIs(5, Mode::kOccupied).Raised(5, kJam), Condition::kWithheld, 5);
  ExpectNow(Watching().ModeIs(5, Mode::kClosed).Raised(4, kMains), Condition::kWithheld, 5);
}

// A clear is recorded when its delay has run out, maybe after the mode has changed.
TEST(ConditionNowTest, AFaultThatHadClearedBeforeTheModeBeganWasNotFound) {
  const auto occupied = [] { return Watching().Raised(3, kJam).ModeIs(6, Mode::kOccupied); };
  ExpectNow(occupied().Cleared(5, kJam), Condition::kWithheld, 6);
  ExpectNow(occupied().Cleared(6, kJam), Condition::kDown, 6);
  ExpectNow(occupied().Raised(7, kLeak).Cleared(8, kLeak).Cleared(5, kJam), Condition::kWithheld, 6);
  ExpectNow(Watching().Raised(3, kJam).Raised(4, kLeak).ModeIs(6, Mode::kOccupied).Cleared(6, kLeak).Cleared(5, kJam),
            Condition::kDown, 6);
  ExpectNow(Watching().Raised(5, kJam).ModeIs(6, Mode::kOccupied).Cleared(5, kJam), Condition::kWithheld, 6);
  const auto closed = [] { return Watching().Raised(3, kJam).ModeIs(6, Mode::kClosed).Raised(7, kLeak); };
  ExpectNow(closed().Cleared(5, kJam), Condition::kWithheld, 6);
  ExpectNow(closed().Cleared(7, kJam), Condition::kDown, 7);
}

TEST(ConditionNowTest, AReportOfNowIsJudgedByItsTimes) {
  const auto by_times = [](const FoldedAgent& agent) { return DownUnderModeByTimes(agent.state); };
  EXPECT_TRUE(by_times(Watching().Raised(3, kJam).ModeIs(5, Mode::kClosed)));
  EXPECT_TRUE(by_times(Watching().Raised(5, kJam).ModeIs(5, Mode::kClosed)));
  EXPECT_FALSE(by_times(Watching().ModeIs(5, Mode::kClosed).Raised(6, kJam)));
  EXPECT_FALSE(by_times(Watching().Raised(3, kMains).ModeIs(5, Mode::kClosed)));
  EXPECT_TRUE(by_times(Watching().Raised(3, kJam).ModeIs(5, Mode::kOccupied)));
  EXPECT_FALSE(by_times(Watching().Raised(5, kJam).ModeIs(5, Mode::kOccupied)));
  EXPECT_FALSE(by_times(Watching().Raised(3, kJam)));
}

}  // namespace
}  // namespace bayward::testing
