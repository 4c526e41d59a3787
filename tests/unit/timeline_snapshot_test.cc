#include "gtest/gtest.h"
#include "server/timeline/fold.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

TEST(SnapshotTest, AfterALossAShownSpellIsOneSpell) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Lost(30, 30).Started(50).Shows(50, {kJam}).Cleared(60, kJam);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-60 cleared");
}

TEST(SnapshotTest, AfterALossAnAbsentSpellEndedAtTheLoss) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Lost(30, 30).Started(50).Shows(50, {});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-30 lost");
}

TEST(SnapshotTest, AFirstSeenClassBeganThereUnobserved) {
  FoldedAgent agent;
  agent.Started(0).Shows(1, {kJam}).Lost(30, 30).Started(50).Shows(51, {kJam, kLeak});
  EXPECT_EQ(Text(agent.state.spells), "jam 1-open found; leak 51-open found");
}

TEST(SnapshotTest, AnOccupationOverTheGapCarriesAnAbsentSpellToTheSnapshot) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).ModeIs(20, Mode::kOccupied).Lost(30, 30);
  agent.Started(50).Shows(50, {}, Mode::kOccupied);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-50 cleared");
  EXPECT_TRUE(agent.out.modes.empty());
  EXPECT_EQ(agent.state.mode.from, At(20));
}

TEST(SnapshotTest, AnOccupationGoneAfterTheGapCarriesNothing) {
  FoldedAgent agent;
  agent.Started(0)
      .Shows(0, {})
      .Raised(10, kJam)
      .ModeIs(20, Mode::kOccupied)
      .Lost(30, 30)
      .Started(50)
      .Shows(50, {});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-30 lost");
  EXPECT_EQ(Text(agent.out.modes), "occupied 20-30");
}

TEST(SnapshotTest, AnotherModeAfterTheGapBeginsAtTheSnapshot) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).ModeIs(20, Mode::kClosed, ModeReason::kFrost).Lost(30, 30).Started(50);
  agent.Shows(51, {}, Mode::kOccupied);
  EXPECT_EQ(Text(agent.out.modes), "closed/frost 20-30");
  EXPECT_EQ(agent.state.mode.from, At(51));
}

TEST(SnapshotTest, AnotherReasonAfterTheGapTakesOverAtTheSnapshot) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).ModeIs(20, Mode::kClosed, ModeReason::kFrost).Lost(30, 30).Started(50);
  agent.Shows(51, {}, Mode::kClosed, ModeReason::kUpkeep);
  EXPECT_EQ(Text(agent.out.modes), "closed/frost 20-51");
  EXPECT_EQ(agent.state.mode.from, At(51));
}

TEST(SnapshotTest, TheSameModeAfterTheGapGoesOn) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).ModeIs(20, Mode::kClosed, ModeReason::kFrost).Lost(30, 30).Started(50);
  agent.Shows(50, {}, Mode::kClosed, ModeReason::kFrost).ModeIs(60, Mode::kInService);
  EXPECT_EQ(Text(agent.out.modes), "closed/frost 20-60");
}

TEST(SnapshotTest, WithoutALossAbsentSpellsAreClearedThere) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).ModeIs(12, Mode::kClosed).Shows(40, {kLeak});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-40 cleared");
  EXPECT_EQ(Text(agent.state.spells), "leak 40-open found");
  EXPECT_EQ(Text(agent.out.modes), "closed 12-40");
  EXPECT_TRUE(agent.out.observed.empty());
}

TEST(SnapshotTest, WithoutALossAnotherEffectIsAChangeOfEffect) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam, Effect::kDegrading).Shows(40, {kJam});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-40 changed");
  EXPECT_EQ(Text(agent.state.spells), "jam 40-open found");
}

TEST(SnapshotTest, AfterALossAnotherEffectIsAnotherSpell) {
  FoldedAgent agent;
  agent.Started(0)
      .Shows(0, {})
      .Raised(10, kJam, Effect::kDegrading)
      .Lost(30, 30)
      .Started(50)
      .Shows(50, {kJam});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-30 lost");
  EXPECT_EQ(Text(agent.state.spells), "jam 50-open found");
}

TEST(SnapshotTest, ARaiseBeforeTheDueSnapshotIsTakenAtItsWord) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Lost(30, 30).Started(50).Raised(51, kJam).Raised(52, kLeak).Shows(53,
                                                                                                  {kLeak});
  EXPECT_EQ(Text(agent.out.spells), "jam 51-53 cleared");
  EXPECT_EQ(Text(agent.state.spells), "leak 52-open");
}

TEST(SnapshotTest, AClearBeforeTheDueSnapshotIsTakenAtItsWord) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Lost(30, 30).Started(50).Cleared(51, kJam).Shows(52, {});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-51 cleared");
}

TEST(SnapshotTest, AClassShownTwiceIsOneSpell) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {kJam, kJam});
  EXPECT_EQ(Text(agent.state.spells), "jam 0-open found");
}

TEST(SnapshotTest, CyclesItDoesNotListWereAbandonedAtTheLoss) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).WashStarted(20, "a").WashStarted(22, "b").Lost(30, 30).Started(50);
  agent.Shows(50, {}, Mode::kInService, ModeReason::kNone, {"b"}).WashFinished(55, "b");
  EXPECT_EQ(Text(agent.out.cycles), "a 20-30 abandoned; b 22-55 completed");
}

TEST(SnapshotTest, WithoutAStartOfObservationItIsItsOwnStart) {
  FoldedAgent agent;
  agent.Shows(7, {kJam});
  EXPECT_TRUE(agent.state.observed);
  EXPECT_EQ(agent.state.span.from, At(7));
  EXPECT_EQ(Text(agent.state.spells), "jam 7-open found");
}

TEST(SnapshotTest, AStartWhileObservedOnlyAsksForASnapshot) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Started(20);
  EXPECT_TRUE(agent.state.snapshot_due);
  EXPECT_EQ(agent.state.span.from, At(0));
  agent.Shows(21, {});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-21 cleared");
}

TEST(SnapshotTest, ASecondLossBeforeTheSnapshotEndsSpellsAtTheFirst) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Lost(30, 30).Started(40).Lost(45, 45).Started(50).Shows(50,
                                                                                                         {});
  EXPECT_EQ(Text(agent.out.spells), "jam 10-30 lost");
  EXPECT_EQ(Text(agent.out.observed), "0-30; 40-45");
}

}  // namespace
}  // namespace bayward::testing
