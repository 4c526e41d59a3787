#include "server/timeline/condition.h"

#include "gtest/gtest.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

std::string Conditions(const HistoryBuilder& builder, int from = 0, int to = 100,
                       bool count_rehearsal = false) {
  return Text(ComputeConditions(builder.Build(), IntervalSet{Span(from, to)}, count_rehearsal));
}

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen); }

TEST(ConditionTest, OnlyABlockingFaultIsDown) {
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 10, 20).Fault(kWorn, 30, 40)),
            "0-10 up; 10-20 down; 20-30 up; 30-40 degraded; 40-100 up");
}

TEST(ConditionTest, AnAdvisoryFaultLeavesTheMachineUp) {
  MachineHistory history = Watched().Fault(kWorn, 10, 20).Build();
  history.spells[0].effect = Effect::kAdvisory;
  EXPECT_EQ(Text(ComputeConditions(history, IntervalSet{Span(0, 100)}, false)), "0-100 up");
}

TEST(ConditionTest, OverlappingFaultsCountOnceUnderTheFirst) {
  EXPECT_EQ(Conditions(Watched().Fault(kArm, 10, 30).Fault(kJam, 20, 40).Fault(kStop, 40, 50)),
            "0-10 up; 10-50 down user; 50-100 up");
}

TEST(ConditionTest, AFaultOfNoLengthCarriesNoTime) {
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 10, 10)), "0-100 up");
}

TEST(ConditionTest, OnlyRequiredTimeHasConditions) {
  const MachineHistory history = Watched().Fault(kJam, 15, 25).Build();
  EXPECT_EQ(Text(ComputeConditions(history, IntervalSet({Span(0, 20), Span(30, 40)}), false)),
            "0-15 up; 15-20 down; 30-40 up");
  EXPECT_EQ(Text(ComputeConditions(history, IntervalSet(), false)), "");
}

TEST(ConditionTest, ExternalCausesAloneWithhold) {
  EXPECT_EQ(Conditions(Watched().Fault(kMains, 10, 30).Fault(kJam, 20, 25)),
            "0-10 up; 10-20 withheld external; 20-25 down; 25-30 withheld external; 30-100 up");
}

TEST(ConditionTest, AClosureWithholdsWithItsReason) {
  EXPECT_EQ(Conditions(Watched().Closed(10, 20).Closed(20, 30, ModeReason::kUpkeep)),
            "0-10 up; 10-20 withheld frost; 20-30 withheld upkeep; 30-100 up");
}

TEST(ConditionTest, AFaultUnderAClosureIsWithheldUntilItOpens) {
  EXPECT_EQ(Conditions(Watched().Closed(10, 40).Fault(kJam, 20, 60)),
            "0-10 up; 10-40 withheld frost; 40-60 down; 60-100 up");
}

TEST(ConditionTest, AClosureBegunDuringAFaultStaysDownUntilItClears) {
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 10, 30).Closed(20, 50)),
            "0-10 up; 10-30 down; 30-50 withheld frost; 50-100 up");
}

TEST(ConditionTest, AClosureBegunWithTheFaultWasNotBeforeIt) {
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 20, 30).Closed(20, 50)),
            "0-20 up; 20-30 down; 30-50 withheld frost; 50-100 up");
}

TEST(ConditionTest, AClosureStaysDownUntilNoBlockingFaultIsActive) {
  // The second fault rose under the closure, but while the first still kept the machine down.
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 10, 30).Closed(20, 80).Fault(kLeak, 25, 50)),
            "0-10 up; 10-50 down; 50-80 withheld frost; 80-100 up");
  // Abutting faults leave no instant without one.
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 10, 30).Closed(20, 80).Fault(kLeak, 30, 50)),
            "0-10 up; 10-50 down; 50-80 withheld frost; 80-100 up");
  // A gap between them does.
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 10, 30).Closed(20, 80).Fault(kLeak, 31, 50)),
            "0-10 up; 10-30 down; 30-80 withheld frost; 80-100 up");
}

TEST(ConditionTest, ABrokenClosureWithholdsNoLonger) {
  EXPECT_EQ(Conditions(Watched().Closed(10, 30).Fault(kJam, 20, 60).Closed(40, 50)),
            "0-10 up; 10-30 withheld frost; 30-60 down; 60-100 up");
}

TEST(ConditionTest, AClosureForOneReasonAfterAnotherIsUnbroken) {
  EXPECT_EQ(Conditions(Watched().Closed(10, 30).Closed(30, 70, ModeReason::kUpkeep).Fault(kJam, 20, 60)),
            "0-10 up; 10-30 withheld frost; 30-70 withheld upkeep; 70-100 up");
}

TEST(ConditionTest, AnOccupationWithholdsAMachineThatWasUp) {
  EXPECT_EQ(Conditions(Watched().Occupied(10, 40).Fault(kJam, 20, 30)),
            "0-10 up; 10-40 withheld upkeep; 40-100 up");
}

TEST(ConditionTest, AnOccupationKeepsDownAMachineThatWasDown) {
  EXPECT_EQ(Conditions(Watched().Fault(kArm, 5, 20).Occupied(10, 40).Fault(kJam, 25, 30)),
            "0-5 up; 5-40 down user; 40-100 up");
}

TEST(ConditionTest, AFaultClearedWhenTheTechnicianComesIsStillDown) {
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 5, 10).Occupied(10, 40)), "0-5 up; 5-40 down; 40-100 up");
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 5, 9).Occupied(10, 40)),
            "0-5 up; 5-9 down; 9-10 up; 10-40 withheld upkeep; 40-100 up");
}

TEST(ConditionTest, AFaultLeftBehindByATechnicianIsDownFromThen) {
  EXPECT_EQ(Conditions(Watched().Occupied(10, 40).Fault(kJam, 20, 60)),
            "0-10 up; 10-40 withheld upkeep; 40-60 down; 60-100 up");
}

TEST(ConditionTest, AnOccupationFindsTheClosedMachineWithheld) {
  EXPECT_EQ(Conditions(Watched().Closed(10, 30).Fault(kJam, 20, 50).Occupied(30, 40)),
            "0-10 up; 10-30 withheld frost; 30-40 withheld upkeep; 40-50 down; 50-100 up");
}

TEST(ConditionTest, AnExternalCauseIsTheReasonWhileATechnicianIsThere) {
  // It came first, he did, and one that blocks only a part of his stay.
  EXPECT_EQ(Conditions(Watched().Fault(kMains, 10, 30).Occupied(20, 40)),
            "0-10 up; 10-30 withheld external; 30-40 withheld upkeep; 40-100 up");
  EXPECT_EQ(Conditions(Watched().Occupied(10, 40).Fault(kMains, 20, 30)),
            "0-10 up; 10-20 withheld upkeep; 20-30 withheld external; 30-40 withheld upkeep; 40-100 up");
  // What he provokes meanwhile changes nothing.
  EXPECT_EQ(Conditions(Watched().Occupied(10, 40).Fault(kMains, 20, 30).Fault(kJam, 25, 35)),
            "0-10 up; 10-20 withheld upkeep; 20-30 withheld external; 30-40 withheld upkeep; 40-100 up");
  // A machine that he found down is down.
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 5, 15).Occupied(10, 40).Fault(kMains, 20, 30)),
            "0-5 up; 5-40 down; 40-100 up");
}

TEST(ConditionTest, AClosureKeepsItsReasonBesideAnExternalCause) {
  EXPECT_EQ(Conditions(Watched().Closed(10, 40, ModeReason::kUpkeep).Fault(kMains, 20, 30)),
            "0-10 up; 10-20 withheld upkeep; 20-30 withheld upkeep external; 30-40 withheld upkeep; 40-100 up");
}

TEST(ConditionTest, TimeNobodyObservedIsLost) {
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(10, 40).Observed(60, kOpen).Fault(kWorn, 30, 70)),
            "0-10 unknown lost; 10-30 up; 30-40 degraded; 40-60 unknown lost; 60-70 degraded; 70-100 up");
}

TEST(ConditionTest, TimeAfterTheLastThatWasDeliveredIsPending) {
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(50, kOpen).ObservedUntil(80)),
            "0-40 up; 40-50 unknown lost; 50-80 up; 80-100 unknown pending");
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, kOpen).ObservedUntil(80).NoDelivery()),
            "0-80 up; 80-100 unknown lost");
}

TEST(ConditionTest, AMachineNeverSeenIsPendingThroughout) {
  EXPECT_EQ(Conditions(HistoryBuilder().ObservedUntil(kNever)), "0-100 unknown pending");
}

TEST(ConditionTest, AFaultThatSpansAGapIsInferred) {
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).Fault(kJam, 30, 70)),
            "0-30 up; 30-40 down; 40-60 down inferred; 60-70 down; 70-100 up");
}

TEST(ConditionTest, AFaultThatEndedAtTheLossLeavesTheGapUnknown) {
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).Fault(kJam, 30, 40,
                                                                                  SpellEnd::kLostSight)),
            "0-30 up; 30-40 down; 40-60 unknown lost; 60-100 up");
}

TEST(ConditionTest, WhatWasLastSeenOpenIsUnknownAfterwards) {
  EXPECT_EQ(Conditions(Watched().ObservedUntil(60).Fault(kJam, 30, kOpen)),
            "0-30 up; 30-60 down; 60-100 unknown pending");
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).ObservedUntil(60).Fault(kJam, 30, kOpen)),
            "0-30 up; 30-40 down; 40-60 unknown lost; 60-100 unknown pending");
  EXPECT_EQ(Conditions(Watched().ObservedUntil(60).Closed(30, kOpen)),
            "0-30 up; 30-60 withheld frost; 60-100 unknown pending");
}

TEST(ConditionTest, WhatBeganOutOfSightAndIsOpenIsUnknown) {
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).ObservedUntil(80).Fault(kJam, 50, kOpen)),
            "0-40 up; 40-80 unknown lost; 80-100 unknown pending");
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).ObservedUntil(80).Fault(kJam, 50,
                                                                                                    kOpen)),
            "0-40 up; 40-50 unknown lost; 50-60 down inferred; 60-80 down; 80-100 unknown pending");
}

TEST(ConditionTest, AClosureThatSpansAGapWithholdsThroughIt) {
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).Closed(30, 70)),
            "0-30 up; 30-70 withheld frost; 70-100 up");
}

TEST(ConditionTest, AnOccupationThatSpansAGapExplainsIt) {
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).Occupied(30, 70)),
            "0-30 up; 30-70 withheld upkeep; 70-100 up");
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).Fault(kJam, 20, 35).Occupied(30, 70)),
            "0-20 up; 20-40 down; 40-60 down inferred; 60-70 down; 70-100 up");
  // One that nobody saw go on explains nothing more.
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).Occupied(30, 40)),
            "0-30 up; 30-40 withheld upkeep; 40-60 unknown lost; 60-100 up");
  EXPECT_EQ(Conditions(HistoryBuilder().Observed(0, 40).ObservedUntil(60).Occupied(30, kOpen)),
            "0-30 up; 30-40 withheld upkeep; 40-60 unknown lost; 60-100 unknown pending");
}

TEST(ConditionTest, NothingRecordedInAVoidedStretchIsUsed) {
  EXPECT_EQ(Conditions(Watched().Voided(40, 60).Fault(kJam, 45, 55)),
            "0-40 up; 40-60 unknown lost; 60-100 up");
  EXPECT_EQ(Conditions(Watched().Voided(40, 60).Fault(kJam, 30, 55)),
            "0-30 up; 30-40 down; 40-60 unknown lost; 60-100 up");
  EXPECT_EQ(Conditions(Watched().Voided(40, 60).Fault(kJam, 45, 70)),
            "0-40 up; 40-60 unknown lost; 60-70 down; 70-100 up");
  EXPECT_EQ(Conditions(Watched().Voided(40, 60).Closed(50, 80)),
            "0-40 up; 40-60 unknown lost; 60-80 withheld frost; 80-100 up");
}

TEST(ConditionTest, AFaultThatSpansAVoidedStretchGoesOnThroughIt) {
  EXPECT_EQ(Conditions(Watched().Voided(40, 60).Fault(kJam, 30, 70)),
            "0-30 up; 30-40 down; 40-60 down inferred; 60-70 down; 70-100 up");
  EXPECT_EQ(Conditions(Watched().Voided(40, 60).Fault(kJam, 40, 60)),
            "0-40 up; 40-60 down inferred; 60-100 up");
}

TEST(ConditionTest, SettlementsDecideOnlyUnknownTime) {
  EXPECT_EQ(
      Conditions(HistoryBuilder().Observed(0, 40).Observed(60, kOpen).Settled(30, 50, Condition::kDown, 200)),
      "0-40 up; 40-50 down settled; 50-60 unknown lost; 60-100 up");
}

TEST(ConditionTest, TheLatestSettlementHolds) {
  HistoryBuilder builder = HistoryBuilder().Observed(0, 20).Observed(80, kOpen);
  builder.Settled(50, 70, Condition::kWithheld, 300).Settled(20, 60, Condition::kUp, 200);
  EXPECT_EQ(Conditions(builder),
            "0-20 up; 20-50 up settled; 50-70 withheld settled; 70-80 unknown lost; 80-100 up");
  builder.Settled(40, 80, Condition::kDown, 300);  // at once with an earlier one: the later in the list
  EXPECT_EQ(Conditions(builder), "0-20 up; 20-40 up settled; 40-80 down settled; 80-100 up");
}

TEST(ConditionTest, RehearsalCountsOnlyInADemonstration) {
  const HistoryBuilder builder = Watched().Fault(kJam, 10, 20).Rehearsed();
  EXPECT_EQ(Conditions(builder), "0-100 up");
  EXPECT_EQ(Conditions(builder, 0, 100, true), "0-10 up; 10-20 down; 20-100 up");
}

TEST(ConditionTest, RehearsedObservationIsNone) {
  MachineHistory history = Watched().Build();
  history.observed[0].rehearsal = true;
  EXPECT_EQ(Text(ComputeConditions(history, IntervalSet{Span(0, 10)}, false)), "0-10 unknown lost");
  EXPECT_EQ(Text(ComputeConditions(history, IntervalSet{Span(0, 10)}, true)), "0-10 up");
}

TEST(ConditionTest, AFaultRaisedAtNightIsDownAtOpening) {
  EXPECT_EQ(Conditions(Watched().Fault(kJam, 10, 70), 50, 100), "50-70 down; 70-100 up");
}

// Every instant of required time has one condition and no other time has any.
TEST(ConditionTest, ConditionsAreExhaustiveAndDisjoint) {
  HistoryBuilder builder = HistoryBuilder().Observed(3, 40).Observed(55, kOpen).ObservedUntil(90);
  builder.Fault(kJam, 10, 50).Fault(kMains, 5, 20).Fault(kWorn, 1, 80).Closed(30, 60).Occupied(60, 70);
  builder.Voided(72, 75).Settled(40, 95, Condition::kUp, 1).Fault(kArm, 65, kOpen);
  const IntervalSet required({Span(0, 12), Span(13, 33), Span(33, 68), Span(71, 99)});
  const auto spans = ComputeConditions(builder.Build(), required, false);
  std::vector<Interval> covered;
  for (std::size_t i = 0; i < spans.size(); ++i) {
    EXPECT_FALSE(spans[i].interval.empty());
    EXPECT_NE(spans[i].condition, Condition::kNotRequired);
    if (i > 0) {
      EXPECT_LE(spans[i - 1].interval.end, spans[i].interval.start);
    }
    covered.push_back(spans[i].interval);
  }
  EXPECT_EQ(IntervalSet(covered), required);
}

}  // namespace
}  // namespace bayward::testing
