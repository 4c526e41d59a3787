#include "server/timeline/hand_over.h"

#include "gtest/gtest.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

std::string Joined(const HistoryBuilder& builder) {
  MachineHistory history = builder.Build();
  JoinHandOvers(history);
  return Text(history.spells);
}

TEST(HandOverTest, ASpellTheNextAgentShowsFirstIsOne) {
  HistoryBuilder builder;
  builder.Observed(0, 40).Observed(45, kOpen);
  builder.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Found(kJam, 46, 60);
  EXPECT_EQ(Joined(builder), "jam 10-60 cleared");
}

TEST(HandOverTest, ASpellTheNextAgentDoesNotShowEndsThere) {
  HistoryBuilder builder;
  builder.Observed(0, 40).Observed(45, kOpen);
  builder.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Found(kLeak, 46, 60);
  EXPECT_EQ(Joined(builder), "jam 10-40 handed; leak 46-60 cleared found");
}

TEST(HandOverTest, UntilTheNextAgentObservesASpellIsOpen) {
  HistoryBuilder builder;
  builder.Observed(0, 40).Fault(kJam, 10, 40, SpellEnd::kHandedOver);
  EXPECT_EQ(Joined(builder), "jam 10-open");
  EXPECT_EQ(Joined(builder.Observed(45, 50)), "jam 10-40 handed");
}

TEST(HandOverTest, ASpellRaisedAtTheHandOverGoesOn) {
  HistoryBuilder builder;
  builder.Observed(40, 40).Observed(45, kOpen);
  builder.Fault(kJam, 40, 40, SpellEnd::kHandedOver).Found(kJam, 45, 60);
  EXPECT_EQ(Joined(builder), "jam 40-60 cleared");
}

TEST(HandOverTest, AnotherEffectIsAnotherSpell) {
  HistoryBuilder builder;
  builder.Observed(0, 40).Observed(45, kOpen);
  builder.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Found(kJam, 46, 60);
  MachineHistory history = builder.Build();
  history.spells[1].effect = Effect::kDegrading;
  JoinHandOvers(history);
  EXPECT_EQ(history.spells.size(), 2u);
}

TEST(HandOverTest, ARaiseSeenByTheNextAgentIsAnotherSpell) {
  HistoryBuilder builder;
  builder.Observed(0, 40).Observed(45, kOpen);
  builder.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Fault(kJam, 46, 60);
  EXPECT_EQ(Joined(builder), "jam 10-40 handed; jam 46-60 cleared");
}

TEST(HandOverTest, ALaterSnapshotContinuesNothing) {
  HistoryBuilder second_span;
  second_span.Observed(0, 40).Observed(45, 50).Observed(70, kOpen);
  second_span.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Found(kJam, 70, 80);
  EXPECT_EQ(Joined(second_span), "jam 10-40 handed; jam 70-80 cleared found");

  HistoryBuilder after_a_raise;
  after_a_raise.Observed(0, 40).Observed(45, kOpen);
  after_a_raise.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Fault(kLeak, 50, 55).Found(kJam, 70, 80);
  EXPECT_EQ(Joined(after_a_raise), "jam 10-40 handed; leak 50-55 cleared; jam 70-80 cleared found");
}

TEST(HandOverTest, AChainOfHandOversIsOneSpell) {
  HistoryBuilder builder;
  builder.Observed(0, 40).Observed(40, 80).Observed(85, kOpen);
  builder.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Fault(kLeak, 12, 40, SpellEnd::kHandedOver);
  builder.Found(kJam, 40, 80, SpellEnd::kHandedOver).Found(kLeak, 40, 70);
  builder.Found(kJam, 86, kOpen);
  EXPECT_EQ(Joined(builder), "jam 10-open; leak 12-70 cleared");
}

std::string JoinedModes(const HistoryBuilder& builder) {
  MachineHistory history = builder.Build();
  JoinHandOvers(history);
  return Text(history.modes);
}

TEST(HandOverTest, AModeTheNextAgentShowsAtOnceGoesOn) {
  const HistoryBuilder builder = HistoryBuilder().Observed(0, 40).Observed(45, kOpen);
  EXPECT_EQ(JoinedModes(HistoryBuilder(builder).Closed(10, 40).HandedOver().Closed(46, 60)), "closed/frost 10-60");
  EXPECT_EQ(JoinedModes(HistoryBuilder(builder).Closed(10, 40).HandedOver().Closed(47, 60)),
            "closed/frost 10-40; closed/frost 47-60");
  EXPECT_EQ(JoinedModes(HistoryBuilder(builder).Closed(10, 40).HandedOver().Closed(45, 60, ModeReason::kUpkeep)),
            "closed/frost 10-45; closed/upkeep 45-60");
  EXPECT_EQ(JoinedModes(HistoryBuilder(builder).Closed(10, 40).HandedOver().Occupied(45, 60)),
            "closed/frost 10-40; occupied 45-60");
}

TEST(HandOverTest, AModeThatEndedInSightDoesNotGoOn) {
  const HistoryBuilder builder = HistoryBuilder().Observed(0, 40).Observed(45, kOpen);
  EXPECT_EQ(JoinedModes(HistoryBuilder(builder).Closed(10, 30).Closed(45, 60)),
            "closed/frost 10-30; closed/frost 45-60");
}

TEST(HandOverTest, WithoutAHandOverAClosureThatEndedAtALossDoesNotGoOn) {
  const HistoryBuilder builder = HistoryBuilder().Observed(0, 40).Observed(45, kOpen);
  EXPECT_EQ(JoinedModes(HistoryBuilder(builder).Closed(10, 40).Closed(46, 60)),
            "closed/frost 10-40; closed/frost 46-60");
}

TEST(HandOverTest, AFaultUnderAClosureStaysWithheldOverTheHandOver) {
  HistoryBuilder builder = HistoryBuilder().Observed(0, 40).Observed(45, kOpen);
  builder.Closed(10, 40).HandedOver().Fault(kJam, 20, 40, SpellEnd::kHandedOver).Closed(45, 70).Found(kJam, 45, 60);
  MachineHistory history = builder.Build();
  JoinHandOvers(history);
  EXPECT_EQ(Text(ComputeConditions(history, IntervalSet{Span(0, 80)}, false)),
            "0-10 up; 10-70 withheld frost; 70-80 up");
}

TEST(HandOverTest, AnAgentThatSawOneInstantShowedItsSnapshot) {
  HistoryBuilder builder;
  builder.Observed(0, 40).Observed(45, 45);
  builder.Fault(kJam, 10, 40, SpellEnd::kHandedOver).Fault(kLeak, 12, 40, SpellEnd::kHandedOver);
  builder.Found(kJam, 45, kOpen);
  EXPECT_EQ(Joined(builder), "jam 10-open; leak 12-40 handed");
}

TEST(HandOverTest, AFaultOutOfSightAtTheHandOverGoesOnIfShown) {
  HistoryBuilder builder;
  builder.Observed(0, 30).Observed(45, kOpen);  // lost at 30, handed over at 40
  builder.Fault(kJam, 10, 30, SpellEnd::kHandedOver).Found(kJam, 45, 60);
  EXPECT_EQ(Joined(builder), "jam 10-60 cleared");
}

TEST(HandOverTest, FoldedAgentsJoin) {
  FoldedAgent before;
  before.Started(0).Shows(0, {}).Raised(10, kJam);
  EndAssignment(At(40), before.state, before.out);
  FoldedAgent after;
  after.Started(45).Shows(46, {kJam}).Cleared(60, kJam);
  MachineHistory history = before.History(100);
  const MachineHistory next = after.History(100);
  history.spells.insert(history.spells.end(), next.spells.begin(), next.spells.end());
  history.observed.insert(history.observed.end(), next.observed.begin(), next.observed.end());
  JoinHandOvers(history);
  EXPECT_EQ(Text(history.spells), "jam 10-60 cleared");
  EXPECT_EQ(Text(ComputeConditions(history, IntervalSet{Span(0, 70)}, false)),
            "0-10 up; 10-40 down; 40-45 down inferred; 45-60 down; 60-70 up");
}

}  // namespace
}  // namespace bayward::testing
