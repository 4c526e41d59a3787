#include "server/api/record_handlers.h"

#include <algorithm>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/digest.h"
#include "proto/common/fault_traits.h"
#include "tests/support/record_fixture.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

constexpr MachineId kBay1{1};

v1::Event JamRaised() {
  v1::Event event;
  event.mutable_fault_raised()->set_fault_class(v1::FAULT_CLASS_DRIVE_TRACK_OBSTRUCTED);
  event.mutable_fault_raised()->set_raw_code("17");
  return event;
}
v1::Event JamCleared() {
  v1::Event event;
  event.mutable_fault_cleared()->set_fault_class(v1::FAULT_CLASS_DRIVE_TRACK_OBSTRUCTED);
  return event;
}
v1::Event Began(const std::string& cycle) {
  v1::Event event;
  event.mutable_cycle_started()->set_cycle(cycle);
  event.mutable_cycle_started()->set_programme("2");
  return event;
}
v1::Event Ended(const std::string& cycle, v1::CycleOutcome outcome = v1::CYCLE_OUTCOME_COMPLETED) {
  v1::Event event;
  event.mutable_cycle_finished()->set_cycle(cycle);
  event.mutable_cycle_finished()->set_outcome(outcome);
  event.mutable_cycle_finished()->set_step_reached("rinse");
  event.mutable_cycle_finished()->set_vehicle_present(v1::PRESENCE_YES);
  return event;
}
v1::Event Step(const std::string& cycle, const std::string& step) {
  v1::Event event;
  event.mutable_cycle_step()->set_cycle(cycle);
  event.mutable_cycle_step()->set_step(step);
  return event;
}
v1::Event Signal(const std::string& signal, const std::string& cycle = "") {
  v1::Event event;
  event.mutable_signal_changed()->set_signal(signal);
  event.mutable_signal_changed()->set_value(1);
  event.mutable_signal_changed()->set_cycle(cycle);
  return event;
}

std::vector<std::uint64_t> Sequences(const google::protobuf::RepeatedPtrField<v1::RawEventRow>& rows) {
  std::vector<std::uint64_t> sequences;
  for (const auto& row : rows) sequences.push_back(row.sequence());
  return sequences;
}
std::vector<std::string> Names(const google::protobuf::RepeatedPtrField<v1::SpellRow>& rows) {
  std::vector<std::string> names;
  for (const auto& row : rows) names.push_back(row.name());
  return names;
}

TEST_F(RecordHandlersTest, OutageGoesFromItsFirstRaiseToTheEndOfTheFirstWashAfterIt) {
  events_.Add(kBay1, 99, Signal("before"));
  events_.Add(kBay1, 100, JamRaised());
  events_.Add(kBay1, 160, JamCleared());
  events_.Add(kBay1, 200, Began("w1"));
  events_.Add(kBay1, 210, Ended("w1"));
  events_.Add(kBay1, 211, Signal("after"));
  epochs_.names[EpochId{1}] = "0123456789abcdef";
  const auto outage = Outage("2026-06-01T02:00:00Z");
  ASSERT_TRUE(outage.ok()) << outage.status();
  EXPECT_EQ(absl::FromUnixMicros(outage->began_us()), At(100));
  EXPECT_EQ(absl::FromUnixMicros(outage->restored_us()), At(160));
  EXPECT_DOUBLE_EQ(outage->down_seconds(), 3600);
  EXPECT_EQ(outage->first_out_name(), "drive.track_obstructed");
  EXPECT_TRUE(outage->order_observed());
  ASSERT_EQ(outage->spells_size(), 1);
  EXPECT_TRUE(outage->spells(0).first_out());
  EXPECT_EQ(outage->spells(0).effect(), "blocking");
  EXPECT_EQ(outage->spells(0).ended(), "cleared");
  EXPECT_THAT(Sequences(outage->events()), ElementsAre(2, 3, 4, 5));
  const v1::RawEventRow& first = outage->events(0);
  EXPECT_EQ(first.kind(), "fault raised");
  EXPECT_EQ(first.words(), "fault raised: drive.track_obstructed, blocking, origin user");
  EXPECT_EQ(first.raw_code(), "17");
  EXPECT_EQ(first.clock(), "synced");
  EXPECT_EQ(first.epoch(), "0123456789abcdef");
  EXPECT_THAT(first.json(), HasSubstr("\"faultRaised\""));
  EXPECT_THAT(outage->notes(), IsEmpty());
  // Who may have recorded them bounds the search.
  ASSERT_EQ(events_.queries.size(), 1u);
  EXPECT_THAT(events_.queries[0].assignments, ElementsAre(1));
  EXPECT_THAT(events_.queries[0].agents, ElementsAre(AgentId{1}));
}

TEST_F(RecordHandlersTest, TheOutageAskedAboutIsTheOneUnderWayOrTheLastBefore) {
  EXPECT_EQ(Outage("2026-06-01T02:40:00Z")->began_us(), absl::ToUnixMicros(At(100)));
  EXPECT_EQ(Outage("2026-06-01T10:04:59Z")->began_us(), absl::ToUnixMicros(At(100)));
  EXPECT_EQ(Outage("2026-06-01T10:05:00Z")->began_us(), absl::ToUnixMicros(At(605)));
  EXPECT_EQ(Outage("")->began_us(), absl::ToUnixMicros(At(605)));
  EXPECT_EQ(Outage("2026-06-01T01:39:59Z").status().code(), absl::StatusCode::kNotFound);
}

TEST_F(RecordHandlersTest, AnOutageNotRestoredShowsItsEventsUpToNow) {
  history().histories[kBay1] =
      WithKnownClasses(HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow).Fault(kJam, 1000, kOpen).Build());
  events_.Add(kBay1, 1000, JamRaised());
  events_.Add(kBay1, kNow, Signal("just now"));
  const auto outage = Outage("");
  ASSERT_TRUE(outage.ok()) << outage.status();
  EXPECT_EQ(outage->restored_us(), 0);
  EXPECT_EQ(outage->spells(0).cleared_us(), 0);
  EXPECT_EQ(outage->spells(0).ended(), "still active");
  EXPECT_THAT(Sequences(outage->events()), ElementsAre(1, 2));
  EXPECT_THAT(outage->notes(), Contains(HasSubstr("Not restored")));
}

TEST_F(RecordHandlersTest, RowsAreBoundedAndWhatIsMissingIsSaid) {
  for (std::size_t i = 0; i < kRawEventsMax + 3; ++i) events_.Add(kBay1, 150, Signal("touch bar"));
  events_.beside.days_dropped = {absl::CivilDay(2026, 6, 1), absl::CivilDay(2026, 6, 2)};
  events_.beside.missing = {{Span(110, 120), 12, false, "disk full"}};
  const auto outage = Outage("2026-06-01T02:00:00Z");
  ASSERT_TRUE(outage.ok()) << outage.status();
  EXPECT_EQ(outage->events_size(), static_cast<int>(kRawEventsMax));
  EXPECT_EQ(outage->events_left_out(), 3u);
  EXPECT_THAT(outage->notes(), Contains("3 further raw events are left out here."));
  EXPECT_THAT(outage->notes(),
              Contains(HasSubstr("received on 2026-06-01 to 2026-06-02 (UTC) are past their retention")));
  EXPECT_THAT(outage->notes(), Contains("12 events of the machine's agent were dropped by the agent, from "
                                        "2026-06-01T01:50:00Z to 2026-06-01T02:00:00Z: disk full."));
}

TEST_F(RecordHandlersTest, QuestionsThatCannotBeAreRefused) {
  EXPECT_EQ(Record("yesterday").status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(Record("2026-06-02T00:00:01Z").status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_TRUE(Record("2026-06-02T00:00:00Z").ok());
  EXPECT_EQ(Record("", "").status().code(), absl::StatusCode::kInvalidArgument);
  const absl::Status unknown = Record("", "alder/bay-9").status();
  EXPECT_EQ(unknown.code(), absl::StatusCode::kNotFound);
  EXPECT_THAT(std::string(unknown.message()), HasSubstr("alder/bay-1"));
  EXPECT_EQ(Record("", "alder/bay-2").status().code(), absl::StatusCode::kNotFound);  // it never washed
}

TEST_F(RecordHandlersTest, ASheetHasTheWashAndWhatWasAroundIt) {
  events_.Add(kBay1, 539, Signal("long before"));
  events_.Add(kBay1, 600, Began("w3"));
  events_.Add(kBay1, 601, Step("w3", "pre-soak"));
  events_.Add(kBay1, 602, Step("w2", "of another"));
  events_.Add(kBay1, 603, Signal("touch bar"));
  events_.Add(kBay1, 604, Signal("top brush", "w3"));
  events_.Add(kBay1, 605, Signal("of another", "w2"));
  events_.Add(kBay1, 610, Ended("w3", v1::CYCLE_OUTCOME_ABORTED));
  events_.Add(kBay1, 611, Signal("after it"));
  const auto record = Record("2026-06-01T10:05:00Z");
  ASSERT_TRUE(record.ok()) << record.status();
  EXPECT_EQ(record->cycle(), "w3");
  EXPECT_EQ(record->outcome(), "aborted");
  EXPECT_EQ(absl::FromUnixMicros(record->started_us()), At(600));
  EXPECT_EQ(absl::FromUnixMicros(record->finished_us()), At(610));
  EXPECT_EQ(record->step_reached(), "rinse");
  EXPECT_EQ(record->vehicle_present(), "yes");
  EXPECT_THAT(Sequences(record->steps()), ElementsAre(3));
  EXPECT_THAT(Sequences(record->signals()), ElementsAre(5, 6));
  EXPECT_THAT(Sequences(record->events()), ElementsAre(2, 3, 4, 5, 6, 7, 8, 9));
  EXPECT_THAT(Names(record->faults_before()), ElementsAre("drive.track_obstructed", FaultClassName(kWorn)));
  EXPECT_THAT(Names(record->faults_during()), ElementsAre("drive.travel_timeout"));
  EXPECT_THAT(record->faults_after(), IsEmpty());
  EXPECT_EQ(record->clock_quality(), "raw events: 8 synced");
  EXPECT_EQ(absl::FromUnixMicros(record->last_upkeep_us()), At(180));
  EXPECT_THAT(record->unknown(), IsEmpty());
  EXPECT_FALSE(record->held());
  EXPECT_THAT(record->notes(), Contains(HasSubstr("names no cause")));
  EXPECT_THAT(record->notes(), Contains(HasSubstr("Provisional")));
}

TEST_F(RecordHandlersTest, WashesSinceTheLastCleanOneAreCompletedOnesWithAFaultInThem) {
  // w1 was clean, w2 was washed with a worn part; w3 itself does not count.
  const auto record = Record("2026-06-01T10:05:00Z");
  ASSERT_TRUE(record.ok()) << record.status();
  ASSERT_TRUE(record->has_washes_since_clean());
  EXPECT_EQ(record->washes_since_clean(), 1u);
  EXPECT_EQ(absl::FromUnixMicros(record->last_clean_us()), At(210));
  // The first of all has none before it.
  const auto first = Record("2026-06-01T03:25:00Z");
  ASSERT_TRUE(first.ok()) << first.status();
  EXPECT_EQ(first->cycle(), "w1");
  EXPECT_FALSE(first->has_washes_since_clean());
  EXPECT_EQ(first->last_clean_us(), 0);
}

TEST_F(RecordHandlersTest, WhereNobodyWatchedTheWashesSinceAreNotKnown) {
  MachineHistory& seen = history().histories[kBay1];
  seen.observed = {{.from = At(0), .to = At(400), .loss_reason = v1::LOSS_REASON_SOURCE_SILENT}, {.from = At(590)}};
  const auto record = Record("2026-06-01T10:05:00Z");
  ASSERT_TRUE(record.ok()) << record.status();
  EXPECT_FALSE(record->has_washes_since_clean());
  EXPECT_EQ(absl::FromUnixMicros(record->last_clean_us()), At(210));
  EXPECT_THAT(record->notes(), Contains(HasSubstr("not watched all the time since its last clean wash")));
  ASSERT_EQ(record->unknown_size(), 1);
  EXPECT_EQ(absl::FromUnixMicros(record->unknown(0).from_us()), At(540));
  EXPECT_EQ(absl::FromUnixMicros(record->unknown(0).to_us()), At(590));
  EXPECT_EQ(record->unknown(0).why(), "not watched: source silent");
}

TEST_F(RecordHandlersTest, WhatIsNotDeliveredYetIsToldFromWhatIsLost) {
  MachineHistory& seen = history().histories[kBay1];
  seen.observed_until = At(720);
  const auto record = Record("2026-06-01T11:45:00Z");
  ASSERT_TRUE(record.ok()) << record.status();
  EXPECT_EQ(record->cycle(), "w4");
  ASSERT_EQ(record->unknown_size(), 1);
  EXPECT_EQ(absl::FromUnixMicros(record->unknown(0).from_us()), At(720));
  EXPECT_EQ(absl::FromUnixMicros(record->unknown(0).to_us()), At(770));
  EXPECT_EQ(record->unknown(0).why(), "not delivered yet");
}

TEST_F(RecordHandlersTest, AFaultRaisedAsTheWashEndsBelongsToIt) {
  history().histories[kBay1] = WithKnownClasses(HistoryBuilder()
                                                    .Observed(0, kOpen)
                                                    .ObservedUntil(kNow)
                                                    .Fault(kJam, 90, 100)
                                                    .Wash(100, 110, CycleOutcome::kAborted)
                                                    .Fault(kArm, 110, 130)
                                                    .Fault(kWorn, 111, 120)
                                                    .Build());
  const auto record = Record("2026-06-01T01:45:00Z");
  ASSERT_TRUE(record.ok()) << record.status();
  EXPECT_THAT(Names(record->faults_before()), ElementsAre("drive.track_obstructed"));
  EXPECT_THAT(Names(record->faults_during()), ElementsAre("drive.travel_timeout"));
  EXPECT_THAT(Names(record->faults_after()), ElementsAre(FaultClassName(kWorn)));
}

TEST_F(RecordHandlersTest, BetweenWashesItIsTheOneBefore) {
  EXPECT_EQ(Record("2026-06-01T10:00:00Z")->cycle(), "w3");
  EXPECT_EQ(Record("2026-06-01T10:10:00Z")->cycle(), "w3");
  EXPECT_EQ(Record("2026-06-01T11:39:59Z")->cycle(), "w3");
  EXPECT_EQ(Record("2026-06-01T11:40:00Z")->cycle(), "w4");
  EXPECT_EQ(Record("")->cycle(), "w4");
  EXPECT_EQ(Record("2026-06-01T03:00:00Z").status().code(), absl::StatusCode::kNotFound);
}

TEST_F(RecordHandlersTest, ClocksThatDifferAreCounted) {
  events_.Add(kBay1, 600, Began("w3"));
  v1::Event unsynced = Signal("touch bar");
  unsynced.set_clock(v1::CLOCK_STATE_UNSYNCED);
  events_.Add(kBay1, 601, unsynced);
  events_.Add(kBay1, 602, Signal("touch bar"));
  EXPECT_EQ(Record("2026-06-01T10:05:00Z")->clock_quality(), "raw events: 1 not synced, 2 synced");
  EXPECT_EQ(Record("2026-06-01T03:25:00Z")->clock_quality(), "not known: no raw event");
}

TEST_F(RecordHandlersTest, TheHashIsOfTheFactsAndDoesNotDependOnWhenOrByWhomTheyAreAsked) {
  events_.Add(kBay1, 600, Began("w3"));
  events_.Add(kBay1, 610, Ended("w3", v1::CYCLE_OUTCOME_ABORTED));
  const auto first = Record("2026-06-01T10:05:00Z");
  ASSERT_TRUE(first.ok()) << first.status();
  EXPECT_EQ(first->sha256(), Sha256Hex(first->canonical()));
  clock_.Advance(absl::Hours(500));
  Hold hold;
  hold.machine = kBay1;
  hold.interval = Span(590, 620);
  hold.reference = "C-1042";
  holds_.holds = {hold};
  const auto later = Record("2026-06-01T10:09:00Z");
  ASSERT_TRUE(later.ok()) << later.status();
  EXPECT_NE(later->as_of_us(), first->as_of_us());
  EXPECT_TRUE(later->held());
  EXPECT_EQ(later->outside_reference(), "C-1042");
  EXPECT_EQ(later->canonical(), first->canonical());
  EXPECT_EQ(later->sha256(), first->sha256());
  EXPECT_THAT(later->canonical(), Not(HasSubstr("C-1042")));
  // Another fact is another hash.
  events_.Add(kBay1, 611, Signal("touch bar"));
  EXPECT_NE(Record("2026-06-01T10:05:00Z")->sha256(), first->sha256());
}

TEST_F(RecordHandlersTest, AReleasedHoldOrOneOfAnotherTimeHoldsNothing) {
  Hold released;
  released.machine = kBay1;
  released.interval = Span(590, 620);
  released.released_at = At(700);
  Hold elsewhen;
  elsewhen.machine = kBay1;
  elsewhen.interval = Span(611, 620);
  holds_.holds = {released, elsewhen};
  EXPECT_FALSE(Record("2026-06-01T10:05:00Z")->held());
  holds_.holds[1].interval = Span(610, 620);
  EXPECT_TRUE(Record("2026-06-01T10:05:00Z")->held());
}

TEST_F(RecordHandlersTest, AWashPastItsRetentionIsKnownFromHeldEvents) {
  MachineHistory& history_left = history().histories[kBay1];
  std::erase_if(history_left.cycles, [](const Cycle& cycle) { return cycle.finished_at <= At(610); });
  events_.Add(kBay1, 600, Began("w3"));
  events_.Add(kBay1, 610, Ended("w3", v1::CYCLE_OUTCOME_ABORTED));
  events_.held_washes = events_.events[kBay1];
  const auto record = Record("2026-06-01T10:05:00Z");
  ASSERT_TRUE(record.ok()) << record.status();
  EXPECT_EQ(record->cycle(), "w3");
  EXPECT_EQ(record->programme(), "2");
  EXPECT_EQ(record->outcome(), "aborted");
  EXPECT_EQ(absl::FromUnixMicros(record->started_us()), At(600));
  EXPECT_FALSE(record->has_washes_since_clean());
  EXPECT_THAT(record->notes(), Contains(HasSubstr("past its retention")));
  // One that the timeline still has is told by it.
  EXPECT_EQ(Record("2026-06-01T11:45:00Z")->cycle(), "w4");
}

TEST_F(RecordHandlersTest, CanonicalTextIsOneFactALineWhateverIsInIt) {
  v1::Event odd = Signal("touch\nbar \"x\"");
  events_.Add(kBay1, 603, odd);
  const auto record = Record("2026-06-01T10:05:00Z");
  ASSERT_TRUE(record.ok()) << record.status();
  EXPECT_THAT(record->canonical(), HasSubstr("says \"contact touch\\nbar \\\"x\\\" on\"\n"));
  EXPECT_THAT(record->canonical(), HasSubstr("bayward wash record, form 1\nmachine: alder/bay-1\nwash: \"w3\"\n"));
  // The heading, ten lines of the wash, three faults, four lines about clean washes, upkeep and clocks, signal and
  // event.
  EXPECT_EQ(std::count(record->canonical().begin(), record->canonical().end(), '\n'), 1 + 10 + 3 + 4 + 2);
}

TEST_F(RecordHandlersTest, EveryRpcIsReachedByItsName) {
  MethodTable methods;
  ASSERT_TRUE(AddRecordMethods(handlers_, methods).ok());
  EXPECT_THAT(methods.names(), ElementsAre("bayward.v1.Records/GetOutage", "bayward.v1.Records/GetWashRecord",
                                           "bayward.v1.Records/HoldRecord", "bayward.v1.Records/ListHolds",
                                           "bayward.v1.Records/SettleUnknown"));
}

}  // namespace
}  // namespace bayward::testing
