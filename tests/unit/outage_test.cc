#include "server/timeline/outage.h"

#include "gtest/gtest.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

// Outages point into the history: it must outlive them.
std::vector<Outage> Outages(const MachineHistory& history, const IntervalSet& required) {
  return ComputeOutages(history, required, ComputeConditions(history, required, false), false);
}

std::string OutageText(const HistoryBuilder& builder,
                       const IntervalSet& required = IntervalSet{Span(0, 100)}) {
  const MachineHistory history = builder.Build();
  return Text(Outages(history, required));
}

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen); }

TEST(OutageTest, OverlappingAndAbuttingFaultsAreOneOutage) {
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kLeak, 15, 30).Fault(kArm, 30, 40)),
            "10-40 jam +leak +arm");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kLeak, 21, 30)), "10-20 jam; 21-30 leak");
}

TEST(OutageTest, ExternalAndDegradingFaultsMakeNone) {
  EXPECT_EQ(OutageText(Watched().Fault(kMains, 10, 20).Fault(kWorn, 30, 40)), "");
  EXPECT_EQ(OutageText(Watched().Fault(kMains, 10, 40).Fault(kJam, 20, 30)), "20-30 jam");
}

TEST(OutageTest, AFaultThatWasNeverDownMakesNone) {
  EXPECT_EQ(OutageText(Watched().Closed(5, 50).Fault(kJam, 10, 40)), "");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 40), IntervalSet{Span(50, 100)}), "");
}

TEST(OutageTest, ItBeginsAtItsFirstDownInstantAndEndsWithItsFaults) {
  // Raised at night, found at opening; restored after closing time.
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 90), IntervalSet{Span(30, 60)}), "30-90 jam opening");
  EXPECT_EQ(OutageText(Watched().Closed(5, 30).Fault(kJam, 10, 40)), "30-40 jam");
}

TEST(OutageTest, ClearedAndRaisedAgainInOneNightMakesTwo) {
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 50).Fault(kJam, 55, 80).Wash(52, 53),
                       IntervalSet({Span(0, 40), Span(70, 100)})),
            "10-50 jam; 70-80 jam opening repeat");
}

TEST(OutageTest, TimeInsideThatIsNotDownNeitherSplitsNorCounts) {
  const MachineHistory history = Watched().Fault(kJam, 10, 30).Closed(20, 80).Fault(kLeak, 25, 40).Build();
  const std::vector<Outage> outages = Outages(history, IntervalSet({Span(0, 22), Span(35, 100)}));
  EXPECT_EQ(Text(outages), "10-40 jam +leak");
  EXPECT_EQ(outages[0].down, absl::Minutes(12 + 5));
}

TEST(OutageTest, WithheldTimeBeforeTheFirstDownInstantIsNoPartOfIt) {
  const MachineHistory history = Watched().Closed(5, 20).Fault(kJam, 10, 60).Occupied(20, 30).Build();
  const std::vector<Outage> outages = Outages(history, IntervalSet{Span(0, 100)});
  EXPECT_EQ(Text(outages), "30-60 jam");
  EXPECT_EQ(outages[0].raised_at, At(10));
}

TEST(OutageTest, FirstOutTiesGoByPriorityThenBySequence) {
  EXPECT_EQ(OutageText(Watched().Fault(kLeak, 10, 20).Fault(kJam, 10, 20)), "10-20 leak +jam");
  EXPECT_EQ(OutageText(Watched().Fault(kLeak, 10, 20).Priority(2).Fault(kJam, 10, 20).Priority(1)),
            "10-20 jam +leak");
  // None declared stands behind any declared one.
  EXPECT_EQ(OutageText(Watched().Fault(kLeak, 10, 20).Fault(kJam, 10, 20).Priority(7)), "10-20 jam +leak");
  // Priority decides ties only.
  EXPECT_EQ(OutageText(Watched().Fault(kLeak, 9, 20).Priority(9).Fault(kJam, 10, 20).Priority(1)),
            "9-20 leak +jam");
}

TEST(OutageTest, SeveralFirstSeenInOneSnapshotHaveNoOrder) {
  EXPECT_EQ(OutageText(Watched().Found(kJam, 10, 20).Found(kLeak, 10, 30)),
            "10-30 jam +leak unobserved unordered");
  EXPECT_EQ(OutageText(Watched().Found(kJam, 10, 20).Fault(kLeak, 15, 30)), "10-30 jam +leak unobserved");
  // One raised in sight at that instant came first by its sequence.
  EXPECT_EQ(OutageText(Watched().Fault(kArm, 10, 20).Found(kJam, 10, 20).Found(kLeak, 10, 30)),
            "10-30 arm +jam +leak");
}

TEST(OutageTest, AnUnseenRestorationIsCensored) {
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20, SpellEnd::kLostSight)), "10-20 jam censored");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20, SpellEnd::kHandedOver)), "10-20 jam censored");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, kOpen)), "10-open jam censored");
  EXPECT_EQ(OutageText(Watched().Voided(15, 30).Fault(kJam, 10, 20)), "10-15 jam censored");
  // Only what ends the outage decides.
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20, SpellEnd::kLostSight).Fault(kLeak, 12, 30)),
            "10-30 jam +leak");
}

TEST(OutageTest, OneLastSeenOpenIsOpen) {
  EXPECT_EQ(OutageText(Watched().ObservedUntil(60).Fault(kJam, 10, kOpen)), "10-open jam censored");
  EXPECT_EQ(OutageText(Watched().ObservedUntil(60).Fault(kJam, 10, 20).Occupied(15, kOpen)),
            "10-open jam censored");
  EXPECT_EQ(OutageText(Watched().ObservedUntil(60).Fault(kJam, 10, 20).Closed(15, kOpen)), "10-20 jam");
}

TEST(OutageTest, AFaultRaisedInAVoidedStretchBeganUnobserved) {
  EXPECT_EQ(OutageText(Watched().Voided(5, 15).Fault(kJam, 10, 20)), "15-20 jam unobserved");
}

TEST(OutageTest, AnOccupationThatFoundTheMachineDownBelongsToTheOutage) {
  const MachineHistory history = Watched().Fault(kJam, 10, 20).Occupied(15, 40).Fault(kLeak, 30, 35).Build();
  const std::vector<Outage> outages = Outages(history, IntervalSet{Span(0, 100)});
  EXPECT_EQ(Text(outages), "10-40 jam +leak");
  EXPECT_EQ(outages[0].down, absl::Minutes(30));
}

TEST(OutageTest, AFaultRaisedAsTheOccupationEndsGoesOnWithTheOutage) {
  EXPECT_EQ(OutageText(Watched().Fault(kStop, 10, 20).Occupied(15, 40).Fault(kJam, 40, 60)), "10-60 stop +jam");
  EXPECT_EQ(OutageText(Watched().Fault(kStop, 10, 20).Occupied(15, 40).Fault(kJam, 41, 60)),
            "10-40 stop; 41-60 jam");
}

TEST(OutageTest, TheEndOfAnOccupationRestoresIfSomebodyWatched) {
  const auto seen_to = [](int to) { return HistoryBuilder().Observed(0, to).Observed(60, kOpen); };
  EXPECT_EQ(OutageText(seen_to(41).Fault(kJam, 10, 20).Occupied(15, 40)), "10-40 jam");
  EXPECT_EQ(OutageText(seen_to(40).Fault(kJam, 10, 20).Occupied(15, 40)), "10-40 jam censored");
  // Recorded as there before and after a gap, he was there in between.
  EXPECT_EQ(OutageText(seen_to(40).Fault(kJam, 10, 20).Occupied(15, 70)), "10-70 jam");
}

TEST(OutageTest, AnOccupationOutOfSightHoldsOnlyTheOutageThatItFound) {
  const auto blind_from_40 = [] { return HistoryBuilder().Observed(0, 40).ObservedUntil(80); };
  EXPECT_EQ(OutageText(blind_from_40().Fault(kJam, 30, 60).Occupied(50, kOpen)), "30-open jam censored");
  // An earlier visit to a machine that was down says nothing about this one, which came when nobody knew.
  EXPECT_EQ(OutageText(blind_from_40().Fault(kJam, 5, 10).Occupied(8, 12).Fault(kLeak, 55, 60).Occupied(50, kOpen)),
            "5-12 jam; 55-60 leak");
}

TEST(OutageTest, FaultsProvokedUnderAnOccupationOpenNoneOfTheirOwn) {
  EXPECT_EQ(OutageText(Watched().Occupied(15, 40).Fault(kJam, 20, 35)), "");
  EXPECT_EQ(OutageText(Watched().Occupied(15, 40).Fault(kJam, 20, 45)), "40-45 jam");
}

TEST(OutageTest, WithoutACompletedCycleBetweenItIsTheSameFailure) {
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kJam, 30, 40)),
            "10-20 jam; 30-40 jam same repeat");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Wash(21, 25).Fault(kJam, 30, 40)),
            "10-20 jam; 30-40 jam repeat");
  EXPECT_EQ(
      OutageText(Watched().Fault(kJam, 10, 20).Wash(21, 25, CycleOutcome::kAborted).Fault(kJam, 30, 40)),
      "10-20 jam; 30-40 jam same repeat");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kLeak, 30, 40)), "10-20 jam; 30-40 leak");
}

TEST(OutageTest, AnotherClassBetweenDoesNotMakeItANewFailure) {
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kLeak, 30, 40).Fault(kJam, 50, 60)),
            "10-20 jam; 30-40 leak; 50-60 jam same repeat");
}

TEST(OutageTest, ACycleCompletedDuringAFaultProvesNothing) {
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Wash(12, 15).Fault(kJam, 30, 40).Wash(28, 30)),
            "10-20 jam; 30-40 jam same repeat");
  // Nor during one of another class, external ones included.
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kLeak, 22, 28).Wash(23, 25).Fault(kJam, 30, 40)),
            "10-20 jam; 22-28 leak; 30-40 jam same repeat");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kMains, 22, 28).Wash(23, 25).Fault(kJam, 30, 40)),
            "10-20 jam; 30-40 jam same repeat");
  // At the instant of restoration no fault is active any more.
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Wash(12, 20).Fault(kJam, 30, 40)),
            "10-20 jam; 30-40 jam repeat");
}

TEST(OutageTest, ItRepeatsWithin72ElapsedHoursOfTheRestoration) {
  constexpr int k72Hours = 72 * 60;
  const IntervalSet required{Span(0, 10000)};
  const auto again = [&](int raised) {
    return OutageText(Watched().Fault(kJam, 10, 20).Wash(22, 25).Fault(kJam, raised, raised + 10), required);
  };
  EXPECT_EQ(again(20 + k72Hours - 1), "10-20 jam; 4339-4349 jam repeat");
  EXPECT_EQ(again(20 + k72Hours), "10-20 jam; 4340-4350 jam");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Fault(kLeak, 30, 40)), "10-20 jam; 30-40 leak");
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20, SpellEnd::kLostSight).Wash(22, 25).Fault(kJam, 30, 40)),
            "10-20 jam censored; 30-40 jam");
}

TEST(OutageTest, CyclesInAVoidedStretchAreNotUsed) {
  EXPECT_EQ(OutageText(Watched().Fault(kJam, 10, 20).Voided(22, 28).Wash(23, 25).Fault(kJam, 30, 40)),
            "10-20 jam; 30-40 jam same repeat");
}

TEST(OutageTest, DownTimeOfAllOutagesIsAllDownTime) {
  HistoryBuilder builder = HistoryBuilder().Observed(3, 40).Observed(55, kOpen);
  builder.Fault(kJam, 10, 50).Fault(kMains, 5, 20).Fault(kArm, 45, 58).Closed(57, 65).Fault(kStop, 70, kOpen);
  builder.Occupied(80, 85).Voided(72, 75);
  const MachineHistory history = builder.Build();
  const IntervalSet required({Span(0, 12), Span(20, 56), Span(60, 95)});
  absl::Duration of_conditions;
  for (const ConditionSpan& span : ComputeConditions(history, required, false)) {
    if (span.condition == Condition::kDown) of_conditions += span.interval.length();
  }
  absl::Duration of_outages;
  for (const Outage& outage : Outages(history, required)) of_outages += outage.down;
  EXPECT_EQ(of_outages, of_conditions);
  EXPECT_EQ(of_outages, absl::Minutes(2 + 36 + 25));
}

}  // namespace
}  // namespace bayward::testing
