#include "gtest/gtest.h"
#include "server/timeline/fold.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

TEST(FoldTest, ASpellRunsFromRaisedToCleared) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Raised(12, kLeak).Cleared(20, kJam);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-20 cleared");
  EXPECT_EQ(Text(agent.state.spells), "leak 12-open");
}

TEST(FoldTest, RaisedTwiceAddsToTheRepeatCount) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Raised(12, kJam).Raised(13, kJam).Cleared(20, kJam, 4);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-20 cleared +6");
}

TEST(FoldTest, RaisedWithAnotherEffectEndsOneSpellAndStartsTheNext) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam, Effect::kDegrading).Raised(15, kJam, Effect::kBlocking);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-15 changed");
  EXPECT_EQ(Text(agent.state.spells), "jam 15-open");
  EXPECT_EQ(agent.out.spells[0].effect, Effect::kDegrading);
  EXPECT_EQ(agent.state.spells[0].effect, Effect::kBlocking);
}

TEST(FoldTest, ClearedWithoutRaisedHasNoEffect) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Cleared(5, kJam);
  EXPECT_TRUE(agent.out.spells.empty());
  agent.Raised(6, kJam).Cleared(7, kJam);
  EXPECT_EQ(Text(agent.out.spells), "jam 6-7 cleared");
}

TEST(FoldTest, AFleetingSpellIsKeptAndNoSpellEndsBeforeItBegan) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Cleared(10, kJam).Raised(12, kLeak).Cleared(11, kLeak);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-10 cleared; leak 12-12 cleared");
}

TEST(FoldTest, SpellsCarryTheirFirstAndLastEvent) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Raised(12, kLeak).Cleared(20, kJam);
  const Provenance& of_jam = agent.out.spells[0].provenance;
  EXPECT_EQ(of_jam.first, (EventRef{EpochId{1}, 3}));
  EXPECT_EQ(of_jam.last, (EventRef{EpochId{1}, 5}));
  EXPECT_EQ(of_jam.first_received_at, At(10));
  EXPECT_EQ(of_jam.last_received_at, At(20));
}

TEST(FoldTest, ModesRunUntilTheNextAndInServiceIsNoRow) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).ModeIs(5, Mode::kClosed, ModeReason::kFrost);
  agent.ModeIs(8, Mode::kClosed, ModeReason::kFrost).ModeIs(20, Mode::kOccupied).ModeIs(30, Mode::kInService);
  EXPECT_EQ(Text(agent.out.modes), "closed/frost 5-20; occupied 20-30");
  EXPECT_EQ(agent.state.mode.mode, Mode::kInService);
}

TEST(FoldTest, ObservationLostEndsTheSpanWhereItWasLost) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Lost(30, 25);
  EXPECT_EQ(Text(agent.out.observed), "0-25");
  EXPECT_FALSE(agent.state.observed);
  agent.Started(40);
  EXPECT_TRUE(agent.state.observed);
  EXPECT_TRUE(agent.state.snapshot_due);
  agent.Shows(40, {});
  EXPECT_FALSE(agent.state.snapshot_due);
  EXPECT_EQ(agent.state.span.from, At(40));
}

TEST(FoldTest, ALossBeforeTheLastEventBeginsAtThatEvent) {
  FoldedAgent agent;
  agent.Started(10).Shows(10, {}).Raised(20, kJam).Lost(30, 5);
  EXPECT_EQ(Text(agent.out.observed), "10-20");
}

TEST(FoldTest, ALossInTheFutureBeginsWhenItWasRecorded) {
  FoldedAgent agent;
  agent.Started(10).Shows(10, {}).Lost(30, 500);
  EXPECT_EQ(Text(agent.out.observed), "10-30");
}

TEST(FoldTest, ANewEpochLosesSightWhereTheAgentWasLastAlive) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Restarted(50).Started(90);
  EXPECT_EQ(Text(agent.out.observed), "0-50");
  EXPECT_EQ(agent.state.span.from, At(90));
  EXPECT_EQ(agent.state.lost_at, At(50));
}

TEST(FoldTest, ANewEpochThatSaysSinceWhenNobodyObservedIsBelieved) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Restarted(50).Lost(90, 70);
  EXPECT_EQ(Text(agent.out.observed), "0-70");
}

TEST(FoldTest, ALossOfUnknownBeginningBeginsWhereTheAgentWasLastHeardOf) {
  FoldedAgent restarted;
  restarted.Started(0).Shows(0, {}).Raised(10, kJam).Restarted(50).Lost(90, kNever);
  EXPECT_EQ(Text(restarted.out.observed), "0-50");
  FoldedAgent same_epoch;
  same_epoch.Started(0).Shows(0, {}).Raised(10, kJam).Lost(90, kNever);
  EXPECT_EQ(Text(same_epoch.out.observed), "0-10");
}

TEST(FoldTest, TheSameEpochGoesOnInSight) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Cleared(20, kJam);
  EXPECT_TRUE(agent.out.observed.empty());
  EXPECT_TRUE(agent.state.observed);
}

TEST(FoldTest, ANewEpochAfterALossLosesNothingMore) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Lost(30, 30).Restarted(80).Started(90);
  EXPECT_EQ(Text(agent.out.observed), "0-30");
  EXPECT_EQ(agent.state.lost_at, At(30));
}

TEST(FoldTest, ACycleJoinsItsStartAndItsFinish) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).WashStarted(10, "a", "deluxe").WashStarted(12, "b").WashFinished(15, "a");
  agent.WashFinished(18, "b");
  EXPECT_EQ(Text(agent.out.cycles), "a 10-15 completed; b 12-18 completed");
  EXPECT_EQ(agent.out.cycles[0].programme, "deluxe");
  EXPECT_EQ(agent.out.cycles[0].sold_as, 1);
  EXPECT_EQ(agent.out.cycles[0].paid_by, 2);
  EXPECT_TRUE(agent.state.cycles.empty());
}

TEST(FoldTest, ACycleFinishedWithoutStartIsAccepted) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).WashFinished(15, "a", 4).WashFinished(20, "b");
  EXPECT_EQ(Text(agent.out.cycles), "a 11-15 completed; b ?-20 completed");
}

TEST(FoldTest, OfACycleStartedTwiceTheFirstStartHolds) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).WashStarted(10, "a").WashStarted(12, "a").WashFinished(15, "a");
  EXPECT_EQ(Text(agent.out.cycles), "a 10-15 completed");
}

TEST(FoldTest, OpenCyclesAreBounded) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {});
  for (int i = 0; i <= static_cast<int>(kOpenCyclesMax); ++i)
    agent.WashStarted(10 + i, "c" + std::to_string(i));
  EXPECT_EQ(agent.state.cycles.size(), kOpenCyclesMax);
  EXPECT_EQ(Text(agent.out.cycles), "c0 10-74 abandoned");
}

TEST(FoldTest, RowsAreFlaggedAsRehearsalByTheEventThatBeganThem) {
  FoldedAgent agent;
  agent.Rehearsing(true).Started(0).Shows(0, {}).Raised(1, kJam).ModeIs(2, Mode::kClosed).Rehearsing(false);
  agent.Raised(3, kLeak);
  EXPECT_TRUE(agent.state.span.rehearsal);
  EXPECT_TRUE(agent.state.mode.rehearsal);
  EXPECT_EQ(Text(agent.state.spells), "jam 1-open rehearsal; leak 3-open");
}

TEST(FoldTest, AStepBackOverAMinuteVoidsTheStretchAndPullsBackWhatBeganInIt) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(5, kLeak).Raised(50, kJam).WashStarted(52, "a").ModeIs(54,
                                                                                              Mode::kClosed);
  agent.Stepped(60, 10);
  EXPECT_EQ(Text(agent.out.voided), "10-60");
  EXPECT_EQ(Text(agent.state.spells), "leak 5-open; jam 10-open");
  EXPECT_EQ(agent.state.mode.from, At(10));
  EXPECT_EQ(agent.state.span.from, At(0));
  agent.Cleared(12, kJam).ModeIs(13, Mode::kInService).WashFinished(14, "a");
  EXPECT_EQ(Text(agent.out.spells), "jam 10-12 cleared");
  EXPECT_EQ(Text(agent.out.modes), "closed 10-13");
  EXPECT_EQ(Text(agent.out.cycles), "a ?-14 completed");
}

TEST(FoldTest, AStepBackOutOfSightPullsBackTheLoss) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(5, kJam).Lost(50, 45).Stepped(60, 10).Started(15).Shows(15, {});
  EXPECT_EQ(Text(agent.out.spells), "jam 5-10 lost");
  EXPECT_EQ(agent.state.span.from, At(15));
}

TEST(FoldTest, SmallAndForwardStepsChangeNothing) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(50, kJam);
  agent.Stepped(51, 50).Stepped(51, 500);
  EXPECT_TRUE(agent.out.voided.empty());
  EXPECT_EQ(Text(agent.state.spells), "jam 50-open");
}

TEST(FoldTest, MissingDataVoidsItsStretchAndLosesSight) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Missing(40, 20, 30);
  EXPECT_EQ(Text(agent.out.voided), "20-30");
  EXPECT_EQ(Text(agent.out.observed), "0-20");
  EXPECT_FALSE(agent.state.observed);
  EXPECT_TRUE(agent.state.snapshot_due);
  agent.Shows(50, {kJam});
  EXPECT_TRUE(agent.state.observed);
  EXPECT_EQ(agent.state.span.from, At(50));
  EXPECT_EQ(Text(agent.state.spells), "jam 10-open");
}

TEST(FoldTest, MissingDataFromBeforeTheObservedSpanLeavesTheStateAlone) {
  FoldedAgent agent;
  agent.Started(100).Shows(100, {}).Raised(110, kJam).Missing(120, 20, 30);
  EXPECT_EQ(Text(agent.out.voided), "20-30");
  EXPECT_TRUE(agent.state.observed);
  EXPECT_FALSE(agent.state.snapshot_due);
}

TEST(FoldTest, ARejectedEventLosesSightUntilTheNextSnapshot) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Raised(11, kLeak).Rejected(20);
  EXPECT_EQ(Text(agent.out.observed), "0-20");
  EXPECT_TRUE(agent.state.snapshot_due);
  agent.Cleared(25, kLeak).Raised(26, kArm).Shows(30, {kMains});
  // What moved out of sight is taken at its word; what the snapshot does not show ended at the loss.
  EXPECT_EQ(Text(agent.out.spells), "leak 11-25 cleared; jam 10-20 lost; arm 26-26 lost");
  EXPECT_EQ(Text(agent.state.spells), "mains 30-open found");
  EXPECT_EQ(agent.state.span.from, At(30));
  EXPECT_FALSE(agent.state.snapshot_due);
}

TEST(FoldTest, OpenRowsReachIntoTheFuture) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Raised(12, kLeak).Cleared(14, kLeak).ModeIs(15,
                                                                                             Mode::kClosed);
  const MachineHistory history = agent.History(20);
  EXPECT_EQ(Text(history.spells), "jam 10-open; leak 12-14 cleared");
  EXPECT_EQ(Text(history.modes), "closed 15-open");
  EXPECT_EQ(Text(history.observed), "0-open");
}

TEST(FoldTest, AMachineOutOfSightKeepsItsOpenSpells) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Lost(30, 30);
  const MachineHistory history = agent.History(40);
  EXPECT_EQ(Text(history.spells), "jam 10-open");
  EXPECT_EQ(Text(history.observed), "0-30");
}

TEST(FoldTest, TheEndOfAnAssignmentHandsEverythingOver) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).ModeIs(15, Mode::kClosed).WashStarted(16, "a");
  EndAssignment(At(40), agent.state, agent.out);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-40 handed");
  EXPECT_EQ(Text(agent.out.modes), "closed 15-40");
  EXPECT_EQ(Text(agent.out.observed), "0-40");
  EXPECT_EQ(Text(agent.out.cycles), "a 16-40 abandoned");
  EXPECT_TRUE(agent.state.spells.empty());
  EXPECT_FALSE(agent.state.observed);
  EXPECT_EQ(agent.state.mode.mode, Mode::kInService);
}

TEST(FoldTest, AnAssignmentThatEndsOutOfSightEndsItsSpellsAtTheLoss) {
  FoldedAgent agent;
  agent.Started(0).Shows(0, {}).Raised(10, kJam).Lost(30, 25);
  EndAssignment(At(40), agent.state, agent.out);
  EXPECT_EQ(Text(agent.out.spells), "jam 10-25 handed");
  EXPECT_EQ(Text(agent.out.observed), "0-25");
}

TEST(FoldTest, AnAssignmentNeverEndsWhatBeganAfterIt) {
  FoldedAgent agent;
  agent.Started(50).Shows(50, {}).Raised(60, kJam);
  EndAssignment(At(40), agent.state, agent.out);
  EXPECT_EQ(Text(agent.out.spells), "jam 60-60 handed");
  EXPECT_EQ(Text(agent.out.observed), "50-50");
}

}  // namespace
}  // namespace bayward::testing
