#include "gtest/gtest.h"
#include "server/figures/availability.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kNow = 1000;

MachineTimeline Timeline(const HistoryBuilder& builder, const Calendar& calendar = AlwaysOpen()) {
  return MachineTimeline(builder.Build(), calendar, Span(0, kNow), /*count_rehearsal=*/false);
}

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow); }

// A closure agreed with the owner, in minutes.
Calendar ClosedBetween(int from, int to) {
  Calendar calendar = AlwaysOpen();
  Closure closure;
  closure.from = absl::ToCivilSecond(At(from), absl::UTCTimeZone());
  closure.to = absl::ToCivilSecond(At(to), absl::UTCTimeZone());
  closure.recorded_at = absl::InfinitePast();
  calendar.closures = {closure};
  return calendar;
}

void ExpectPartition(const TimeAccount& account) {
  EXPECT_EQ(account.up + account.degraded + account.down + account.withheld + account.unknown(),
            account.required);
  absl::Duration by_origin;
  for (const absl::Duration& part : account.down_by_origin) by_origin += part;
  EXPECT_EQ(by_origin, account.down);
}

TEST(TimeAccountTest, EveryInstantIsInOneColumn) {
  HistoryBuilder builder = HistoryBuilder().Observed(10, 700).Observed(800, kOpen).ObservedUntil(900);
  builder.Fault(kJam, 100, 160).Fault(kArm, 200, 230).Fault(kStop, 300, 310).Fault(kMains, 400, 440);
  builder.Fault(kWorn, 500, 550).Closed(600, 620).Occupied(620, 650).Fault(kLeak, 690, 820);
  const MachineTimeline timeline(builder.Build(), ClosedBetween(950, 960), Span(0, kNow), false);
  const TimeAccount account = ComputeAccount(timeline, Span(0, kNow));
  ExpectPartition(account);
  EXPECT_EQ(account.required, absl::Minutes(990));
  EXPECT_EQ(account.down_by_origin[static_cast<int>(Origin::kInternal)], absl::Minutes(60 + 130));
  EXPECT_EQ(account.down_by_origin[static_cast<int>(Origin::kUser)], absl::Minutes(30));
  EXPECT_EQ(account.down_by_origin[static_cast<int>(Origin::kPeople)], absl::Minutes(10));
  EXPECT_EQ(account.inferred, absl::Minutes(100));
  EXPECT_EQ(account.withheld, absl::Minutes(40 + 20 + 30));
  EXPECT_EQ(account.withheld_upkeep, absl::Minutes(30));
  EXPECT_EQ(account.degraded, absl::Minutes(50));
  EXPECT_EQ(account.unknown_lost, absl::Minutes(10));
  EXPECT_EQ(account.unknown_pending, absl::Minutes(90));
  EXPECT_EQ(account.excluded, absl::Minutes(10));
}

TEST(TimeAccountTest, WindowsThatAbutAddUp) {
  HistoryBuilder builder = HistoryBuilder().Observed(10, 700).Observed(800, kOpen).ObservedUntil(900);
  builder.Fault(kJam, 100, 160)
      .Fault(kArm, 200, 230)
      .Fault(kLeak, 690, 820)
      .Wash(50, 60)
      .Wash(155, 160)
      .Closed(0, 40);
  const MachineTimeline timeline = Timeline(builder, ClosedBetween(30, 130));
  const TimeAccount whole = ComputeAccount(timeline, Span(0, kNow));
  for (const int at : {1, 30, 60, 100, 115, 130, 160, 215, 230, 690, 700, 820, 999}) {
    TimeAccount sum = ComputeAccount(timeline, Span(0, at));
    ExpectPartition(sum);
    sum += ComputeAccount(timeline, Span(at, kNow));
    EXPECT_EQ(sum.required, whole.required) << at;
    EXPECT_EQ(sum.down, whole.down) << at;
    EXPECT_EQ(sum.up, whole.up) << at;
    EXPECT_EQ(sum.excluded, whole.excluded) << at;
    EXPECT_EQ(sum.outages, whole.outages) << at;
    EXPECT_EQ(sum.failures, whole.failures) << at;
    EXPECT_EQ(sum.user_outages, whole.user_outages) << at;
    EXPECT_EQ(sum.restored, whole.restored) << at;
    EXPECT_EQ(sum.restored_down, whole.restored_down) << at;
    EXPECT_EQ(sum.cycles_completed, whole.cycles_completed) << at;
  }
}

TEST(TimeAccountTest, TimeOutsideTheExtentDoesNotCount) {
  const MachineTimeline timeline = Timeline(Watched());
  EXPECT_EQ(ComputeAccount(timeline, Span(-500, kNow + 500)).required, absl::Minutes(kNow));
  EXPECT_EQ(ComputeAccount(timeline, Span(20, 20)).required, absl::ZeroDuration());
}

TEST(TimeAccountTest, FailuresCountBeginningsOfInternalOutagesInTheWindow) {
  HistoryBuilder builder = Watched();
  builder.Fault(kJam, 100, 110).Fault(kJam, 120, 130).Wash(140, 145).Fault(kJam, 150, 160);  // two failures
  builder.Found(kLeak, 200, 210).Fault(kArm, 300, 310).Fault(kStop, 400, 410);
  const TimeAccount account = ComputeAccount(Timeline(builder), Span(0, kNow));
  EXPECT_EQ(account.outages, 4);
  EXPECT_EQ(account.failures, 2);
  EXPECT_EQ(account.failures_unobserved, 1);
  EXPECT_EQ(account.user_outages, 1);
  EXPECT_EQ(account.people_outages, 1);
  EXPECT_EQ(account.found_at_opening, 0);
  EXPECT_EQ(account.repeats, 2);
}

TEST(TimeAccountTest, UnknownTimeBoundsTheMeanTimeBetweenFailures) {
  TimeAccount account;
  account.up = absl::Hours(80);
  account.degraded = absl::Hours(20);
  account.unknown_lost = absl::Hours(30);
  EXPECT_FALSE(BoundMtbf(account).low || BoundMtbf(account).high);
  account.failures_unobserved = 2;
  EXPECT_EQ(BoundMtbf(account).low, absl::Hours(50));
  EXPECT_EQ(BoundMtbf(account).high, std::nullopt);
  account.failures = 2;
  EXPECT_EQ(BoundMtbf(account).low, absl::Hours(25));
  EXPECT_EQ(BoundMtbf(account).high, absl::Hours(65));
}

TEST(TimeAccountTest, AFailureBelongsToTheWindowItBeganIn) {
  const MachineTimeline timeline = Timeline(Watched().Fault(kJam, 100, 200));
  EXPECT_EQ(ComputeAccount(timeline, Span(0, 150)).failures, 1);
  EXPECT_EQ(ComputeAccount(timeline, Span(150, 300)).failures, 0);
  EXPECT_EQ(ComputeAccount(timeline, Span(150, 300)).down, absl::Minutes(50));
}

TEST(TimeAccountTest, AFaultRaisedOutsideRequiredTimeIsFoundAtOpening) {
  const MachineTimeline timeline = Timeline(Watched().Fault(kJam, 100, 200), ClosedBetween(50, 150));
  const TimeAccount account = ComputeAccount(timeline, Span(0, kNow));
  EXPECT_EQ(account.failures, 1);
  EXPECT_EQ(account.found_at_opening, 1);
  EXPECT_EQ(account.down, absl::Minutes(50));
}

TEST(TimeAccountTest, MeanDownTimeTakesTheWholeOfOutagesRestoredInTheWindow) {
  HistoryBuilder builder = Watched();
  builder.Fault(kJam, 100, 200)
      .Fault(kArm, 300, 310)
      .Fault(kLeak, 400, 450, SpellEnd::kLostSight)
      .Fault(kJam, 900, kOpen);
  const MachineTimeline timeline = Timeline(builder);
  const TimeAccount account = ComputeAccount(timeline, Span(150, kNow));
  EXPECT_EQ(account.restored, 2);
  EXPECT_EQ(MeanDownTime(account), absl::Minutes(55));
  EXPECT_EQ(MeanDownTime(ComputeAccount(timeline, Span(210, 290))), std::nullopt);
  // The instant of restoration belongs to the window that begins there.
  EXPECT_EQ(ComputeAccount(timeline, Span(0, 200)).restored, 0);
  EXPECT_EQ(ComputeAccount(timeline, Span(200, 250)).restored, 1);
}

TEST(TimeAccountTest, CyclesCountInTheWindowOfTheirFinish) {
  HistoryBuilder builder = Watched();
  builder.Wash(95, 100).Wash(100, 105, CycleOutcome::kAborted).Wash(100, 106, CycleOutcome::kAbandoned);
  builder.Wash(195, 200).Fault(kMains, 98, 101).Voided(300, 400).Wash(310, 315);
  const MachineTimeline timeline = Timeline(builder);
  const TimeAccount account = ComputeAccount(timeline, Span(100, 200));
  EXPECT_EQ(account.cycles_completed, 1);
  EXPECT_EQ(account.cycles_aborted, 1);
  EXPECT_EQ(account.contradictory_cycles, 1);
  EXPECT_EQ(ComputeAccount(timeline, Span(200, kNow)).cycles_completed, 1);
  EXPECT_EQ(ComputeAccount(timeline, Span(200, kNow)).contradictory_cycles, 0);
}

TEST(TimeAccountTest, AWindowIsFinalOnceItIsObservedToItsEnd) {
  const MachineTimeline timeline = Timeline(Watched().ObservedUntil(500));
  EXPECT_FALSE(ComputeAccount(timeline, Span(0, 500)).provisional);
  EXPECT_TRUE(ComputeAccount(timeline, Span(0, 501)).provisional);
  EXPECT_FALSE(ComputeAccount(Timeline(Watched().ObservedUntil(500).NoDelivery()), Span(0, 600)).provisional);
}

TEST(TimeAccountTest, AFaultLastSeenOpenKeepsTheWindowProvisional) {
  HistoryBuilder out_of_sight = HistoryBuilder().Observed(0, 300).ObservedUntil(500);
  EXPECT_FALSE(ComputeAccount(Timeline(out_of_sight), Span(0, 400)).provisional);
  out_of_sight.Fault(kJam, 100, kOpen);
  EXPECT_TRUE(ComputeAccount(Timeline(out_of_sight), Span(0, 400)).provisional);
  EXPECT_FALSE(ComputeAccount(Timeline(out_of_sight), Span(0, 300)).provisional);
}

// Should it turn out to have gone on, it spans the stretch and the machine was down throughout.
TEST(TimeAccountTest, AFaultOpenBeforeAVoidedStretchIsInDoubtFromItsStart) {
  HistoryBuilder builder = HistoryBuilder().Observed(0, 300).Voided(250, 350).ObservedUntil(500);
  EXPECT_FALSE(ComputeAccount(Timeline(builder), Span(0, 251)).provisional);
  builder.Fault(kJam, 100, kOpen);
  EXPECT_TRUE(ComputeAccount(Timeline(builder), Span(0, 251)).provisional);
  EXPECT_FALSE(ComputeAccount(Timeline(builder), Span(0, 250)).provisional);
}

TEST(TimeAccountTest, AnExternalCauseIsNoMaintenanceThoughATechnicianIsThere) {
  const HistoryBuilder builder = Watched().Fault(kMains, 100, 160).Occupied(140, 200);
  const TimeAccount account = ComputeAccount(Timeline(builder), Span(0, kNow));
  EXPECT_EQ(account.withheld, absl::Minutes(100));
  EXPECT_EQ(account.withheld_upkeep, absl::Minutes(40));
}

TEST(TimeAccountTest, SettledTimeIsShownAndCanBeTakenBack) {
  HistoryBuilder builder = HistoryBuilder().Observed(0, 100).Observed(200, kOpen).ObservedUntil(kNow);
  builder.Settled(100, 130, Condition::kUp, 1)
      .Settled(130, 150, Condition::kDown, 1)
      .Settled(150, 160, Condition::kWithheld, 1);
  const TimeAccount account = ComputeAccount(Timeline(builder), Span(0, kNow));
  ExpectPartition(account);
  EXPECT_EQ(account.settled(), absl::Minutes(60));
  EXPECT_EQ(account.down, absl::Minutes(20));
  EXPECT_EQ(account.down_by_origin[0], absl::Minutes(20));
  EXPECT_EQ(account.unknown_lost, absl::Minutes(40));
  const TimeAccount without = WithoutSettlements(account);
  ExpectPartition(without);
  EXPECT_EQ(without.down, absl::ZeroDuration());
  EXPECT_EQ(without.unknown_lost, absl::Minutes(100));
  EXPECT_EQ(without.settled(), absl::ZeroDuration());
}

TEST(AvailabilityTest, UnknownTimeBoundsIt) {
  TimeAccount account;
  account.up = absl::Minutes(60);
  account.degraded = absl::Minutes(20);
  account.down = absl::Minutes(20);
  account.unknown_pending = absl::Minutes(30);
  account.unknown_lost = absl::Minutes(30);
  account.withheld = absl::Minutes(25);
  account.withheld_upkeep = absl::Minutes(10);
  account.excluded = absl::Minutes(50);
  const Availability availability = ComputeAvailability(account);
  EXPECT_DOUBLE_EQ(*availability.point, 0.8);
  EXPECT_DOUBLE_EQ(*availability.low, 0.5);
  EXPECT_DOUBLE_EQ(*availability.high, 0.875);
  EXPECT_DOUBLE_EQ(*availability.service, 0.64);
  EXPECT_DOUBLE_EQ(*availability.iec, 0.5);
}

TEST(AvailabilityTest, AZeroDenominatorGivesNoFigure) {
  const Availability of_nothing = ComputeAvailability(TimeAccount());
  EXPECT_FALSE(of_nothing.point || of_nothing.low || of_nothing.high || of_nothing.service || of_nothing.iec);
  TimeAccount unknown;
  unknown.unknown_lost = absl::Hours(1);
  EXPECT_EQ(ComputeAvailability(unknown).point, std::nullopt);
  EXPECT_DOUBLE_EQ(*ComputeAvailability(unknown).low, 0);
  EXPECT_DOUBLE_EQ(*ComputeAvailability(unknown).high, 1);
}

}  // namespace
}  // namespace bayward::testing
