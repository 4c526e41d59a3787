#include "server/timeline/hand_over.h"

#include <utility>

#include "gtest/gtest.h"
#include "server/timeline/condition.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

// One machine's agents in turn: the second of three or so says what goes on.
class HandOverTest : public ::testing::Test {
 protected:
  HandOverTest() { first.Started(0).Shows(0, {}); }

  // The agent's assignment has ended, and the server has noticed: it was alive until `at`.
  static void End(FoldedAgent& agent, int at) { EndAssignment(At(at), agent.state, agent.out); }

  void Assign(const FoldedAgent& agent, int from, int to, int alive_until) {
    assignments_.push_back({Span(from, to), agent.History(alive_until), agent.state.first_snapshot});
  }
  // The first until 40, the second from then on.
  MachineHistory Together() {
    assignments_.clear();
    Assign(first, kNever, 40, 40);
    Assign(second, 40, kOpen, 100);
    return PutEndToEnd(assignments_);
  }
  std::string Spells() { return Text(Together().spells); }
  std::string Modes() { return Text(Together().modes); }

  FoldedAgent first{1};
  FoldedAgent second{2};
  std::vector<AssignmentHistory> assignments_;
};

TEST_F(HandOverTest, ASpellTheNextAgentShowsFirstIsOne) {
  first.Raised(10, kJam);
  End(first, 40);
  second.Started(45).Shows(46, {kJam}).Cleared(60, kJam);
  EXPECT_EQ(Spells(), "jam 10-60 cleared");
  EXPECT_EQ(Text(ComputeConditions(Together(), IntervalSet{Span(0, 70)}, false)),
            "0-10 up; 10-40 down; 40-45 down inferred; 45-60 down; 60-70 up");
}

TEST_F(HandOverTest, ASpellTheNextAgentDoesNotShowEndsThere) {
  first.Raised(10, kJam);
  End(first, 40);
  second.Started(45).Shows(46, {kLeak}).Cleared(60, kLeak);
  EXPECT_EQ(Spells(), "jam 10-40 handed; leak 46-60 cleared found");
}

TEST_F(HandOverTest, UntilTheNextAgentShowsASnapshotWhatWasCutOffIsOpen) {
  first.Raised(10, kJam).ModeIs(20, Mode::kClosed, ModeReason::kFrost);
  End(first, 40);
  EXPECT_EQ(Spells(), "jam 10-open");
  EXPECT_EQ(Modes(), "closed/frost 20-open");
  second.Started(45);
  EXPECT_EQ(Spells(), "jam 10-open");
  second.Shows(45, {});
  EXPECT_EQ(Spells(), "jam 10-40 handed");
  EXPECT_EQ(Modes(), "closed/frost 20-40");
}

TEST_F(HandOverTest, ASpellRaisedAtTheHandOverGoesOn) {
  first.Raised(40, kJam);
  End(first, 40);
  second.Started(45).Shows(45, {kJam}).Cleared(60, kJam);
  EXPECT_EQ(Spells(), "jam 40-60 cleared");
}

TEST_F(HandOverTest, AnotherEffectIsAnotherSpell) {
  first.Raised(10, kJam, Effect::kDegrading);
  End(first, 40);
  second.Started(45).Shows(46, {kJam}).Cleared(60, kJam);
  EXPECT_EQ(Together().spells.size(), 2u);
}

TEST_F(HandOverTest, ARaiseTheNextAgentSawIsAnotherSpell) {
  first.Raised(10, kJam);
  End(first, 40);
  second.Started(45).Raised(46, kJam).Shows(47, {kJam}).Cleared(60, kJam);
  EXPECT_EQ(Spells(), "jam 10-40 handed; jam 46-60 cleared");
}

TEST_F(HandOverTest, ALaterSnapshotContinuesNothing) {
  first.Raised(10, kJam);
  End(first, 40);
  second.Started(45).Shows(45, {}).Lost(50, 50).Started(70).Shows(70, {kJam}).Cleared(80, kJam);
  EXPECT_EQ(Spells(), "jam 10-40 handed; jam 70-80 cleared found");
}

TEST_F(HandOverTest, WhatRoseAndFellInOneInstantBeforeTheHandOverHidesNothing) {
  first.Raised(10, kJam).Rejected(40).Raised(40, kLeak).Cleared(40, kLeak);
  End(first, 40);
  second.Started(40).Shows(40, {kJam}).Cleared(60, kJam);
  EXPECT_EQ(Spells(), "jam 10-60 cleared; leak 40-40 cleared");
}

TEST_F(HandOverTest, AChainOfHandOversIsOneSpell) {
  first.Raised(10, kJam).Raised(12, kLeak);
  End(first, 40);
  second.Started(40).Shows(40, {kJam, kLeak}).Cleared(70, kLeak);
  End(second, 80);
  FoldedAgent third(3);
  third.Started(85).Shows(86, {kJam});
  Assign(first, kNever, 40, 40);
  Assign(second, 40, 80, 80);
  Assign(third, 80, kOpen, 100);
  EXPECT_EQ(Text(PutEndToEnd(assignments_).spells), "jam 10-open; leak 12-70 cleared");
}

TEST_F(HandOverTest, AnAgentThatNeverShowedASnapshotIsPassedOver) {
  first.Raised(10, kJam);
  End(first, 40);
  second.Started(45);
  End(second, 50);
  FoldedAgent third(3);
  third.Started(60).Shows(60, {kJam}).Cleared(70, kJam);
  Assign(first, kNever, 40, 40);
  Assign(second, 40, 50, 50);
  Assign(third, 50, kOpen, 100);
  EXPECT_EQ(Text(PutEndToEnd(assignments_).spells), "jam 10-70 cleared");
}

TEST_F(HandOverTest, AModeTheNextAgentShowsFirstGoesOn) {
  first.ModeIs(10, Mode::kClosed, ModeReason::kFrost);
  End(first, 40);
  const FoldedAgent started = FoldedAgent(2).Started(45);
  second = FoldedAgent(started).Shows(46, {}, Mode::kClosed, ModeReason::kFrost).ModeIs(60, Mode::kInService);
  EXPECT_EQ(Modes(), "closed/frost 10-60");
  second = FoldedAgent(started).Shows(46, {}, Mode::kClosed, ModeReason::kUpkeep).ModeIs(60, Mode::kInService);
  EXPECT_EQ(Modes(), "closed/frost 10-46; closed/upkeep 46-60");
  second = FoldedAgent(started).Shows(46, {}, Mode::kOccupied).ModeIs(60, Mode::kInService);
  EXPECT_EQ(Modes(), "closed/frost 10-40; occupied 46-60");
  second = FoldedAgent(started).Shows(46, {}).ModeIs(47, Mode::kClosed, ModeReason::kFrost).ModeIs(60, Mode::kInService);
  EXPECT_EQ(Modes(), "closed/frost 10-40; closed/frost 47-60");
}

TEST_F(HandOverTest, AModeThatEndedInSightDoesNotGoOn) {
  first.ModeIs(10, Mode::kClosed, ModeReason::kFrost).ModeIs(30, Mode::kInService);
  End(first, 40);
  second.Started(45).Shows(45, {}, Mode::kClosed, ModeReason::kFrost).ModeIs(60, Mode::kInService);
  EXPECT_EQ(Modes(), "closed/frost 10-30; closed/frost 45-60");
}

TEST_F(HandOverTest, AFaultUnderAClosureStaysWithheldOverTheHandOver) {
  first.ModeIs(10, Mode::kClosed, ModeReason::kFrost).Raised(20, kJam);
  End(first, 40);
  second.Started(45).Shows(45, {kJam}, Mode::kClosed, ModeReason::kFrost).Cleared(60, kJam).ModeIs(70, Mode::kInService);
  EXPECT_EQ(Text(ComputeConditions(Together(), IntervalSet{Span(0, 80)}, false)),
            "0-10 up; 10-70 withheld frost; 70-80 up");
}

TEST_F(HandOverTest, AFaultOutOfSightAtTheHandOverGoesOnIfShown) {
  first.Raised(10, kJam).Lost(30, 30);
  End(first, 40);
  second.Started(45).Shows(45, {kJam}).Cleared(60, kJam);
  EXPECT_EQ(Spells(), "jam 10-60 cleared");
}

TEST_F(HandOverTest, EachAgentCountsOnlyWithinItsAssignment) {
  first.Raised(10, kJam).WashFinished(35, "a").WashFinished(55, "b");  // noticed late: it went on to 60
  second.Started(30).Shows(30, {kLeak}).Cleared(50, kLeak).WashFinished(38, "c").WashFinished(65, "d");
  const MachineHistory history = Together();
  EXPECT_EQ(Text(history.spells), "jam 10-40 handed; leak 40-50 cleared found");
  EXPECT_EQ(Text(history.observed), "0-40; 40-open");
  ASSERT_EQ(history.cycles.size(), 2u);
  EXPECT_EQ(history.cycles[0].cycle, "a");
  EXPECT_EQ(history.cycles[1].cycle, "d");
  EXPECT_EQ(history.observed_until, At(100));
}

}  // namespace
}  // namespace bayward::testing
