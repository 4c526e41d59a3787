#include "server/api/event_words.h"

#include <set>

#include "gtest/gtest.h"

namespace bayward::testing {
namespace {

v1::Event Raised(v1::Effect effect = v1::EFFECT_UNSPECIFIED) {
  v1::Event event;
  event.mutable_fault_raised()->set_fault_class(v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW);
  event.mutable_fault_raised()->set_effect(effect);
  event.mutable_fault_raised()->set_raw_code("E07");
  return event;
}

TEST(EventWordsTest, FaultSaysItsClassAndWhatItDoes) {
  EXPECT_EQ(EventWords(Raised(v1::EFFECT_BLOCKING)), "fault raised: air_supply.pressure_low, blocking");
  EXPECT_EQ(EventWords(Raised(v1::EFFECT_DEGRADING)), "fault raised: air_supply.pressure_low, degrading");
}

TEST(EventWordsTest, WhatAFaultLeavesOpenIsItsClasssDefault) {
  EXPECT_EQ(EventWords(Raised()), EventWords(Raised(v1::EFFECT_BLOCKING)));
  v1::Event mains;
  mains.mutable_fault_raised()->set_fault_class(v1::FAULT_CLASS_POWER_MAINS_LOST);
  EXPECT_EQ(EventWords(mains), "fault raised: power.mains_lost, blocking, origin external");
}

TEST(EventWordsTest, RehearsedEventsSaySo) {
  v1::Event event = Raised();
  event.set_rehearsal(true);
  EXPECT_EQ(EventWords(event), "rehearsed: fault raised: air_supply.pressure_low, blocking");
}

TEST(EventWordsTest, WashFromStartToEnd) {
  v1::Event event;
  event.mutable_cycle_started()->set_cycle("c1");
  event.mutable_cycle_started()->set_programme("2");
  event.mutable_cycle_started()->set_sold_as(v1::SOLD_AS_MEMBER);
  EXPECT_EQ(EventWords(event), "wash c1 started, programme 2, sold as member");
  event.mutable_cycle_step()->set_cycle("c1");
  event.mutable_cycle_step()->set_step("pre-soak");
  EXPECT_EQ(EventWords(event), "wash c1 reached step pre-soak");
  auto& finished = *event.mutable_cycle_finished();
  finished.set_cycle("c1");
  finished.set_outcome(v1::CYCLE_OUTCOME_ABORTED);
  finished.set_duration_us(90'000'000);
  finished.set_abort_cause(v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  finished.set_step_reached("pre-soak");
  finished.set_vehicle_present(v1::PRESENCE_YES);
  EXPECT_EQ(EventWords(event),
            "wash c1 aborted, after 1m30s, the controller names drive.travel_timeout, reached step pre-soak, vehicle "
            "present: yes");
}

TEST(EventWordsTest, ContactsAndForces) {
  v1::Event event;
  auto& signal = *event.mutable_signal_changed();
  signal.set_signal("touch bar");
  signal.set_value(1);
  EXPECT_EQ(EventWords(event), "contact touch bar on");
  signal.set_value(0);
  signal.set_cycle("c1");
  EXPECT_EQ(EventWords(event), "contact touch bar off, wash c1");
  signal.set_signal("top brush force");
  signal.set_unit("N");
  signal.set_value(212.5);
  EXPECT_EQ(EventWords(event), "top brush force 212.5 N, wash c1");
}

TEST(EventWordsTest, SnapshotsListAllThatHolds) {
  v1::Event event;
  event.mutable_snapshot();
  EXPECT_EQ(EventWords(event), "all that holds: no fault; in service");
  auto& fault = *event.mutable_snapshot()->add_faults();
  fault.set_fault_class(v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW);
  fault.set_raw_code("E07");
  fault.set_raw_text("air low");
  event.mutable_snapshot()->set_mode(v1::MODE_CLOSED);
  event.mutable_snapshot()->set_reason(v1::MODE_REASON_WATER_RESTRICTION);
  event.mutable_snapshot()->add_open_cycles("c1");
  EXPECT_EQ(EventWords(event),
            "all that holds: air_supply.pressure_low, blocking, raw E07, air low; closed, reason water restriction; "
            "washes under way: c1");
}

TEST(EventWordsTest, LossOfSightSaysSinceWhenAndWhy) {
  v1::Event event;
  event.mutable_observation_lost()->set_reason(v1::LOSS_REASON_AGENT_STOPPED);
  EXPECT_EQ(EventWords(event), "watching lost, agent stopped");
  event.mutable_observation_lost()->set_from_us(1785585600500000);
  event.mutable_observation_lost()->set_detail("power cut");
  EXPECT_EQ(EventWords(event), "watching lost, agent stopped, since 2026-08-01T12:00:00.5Z, power cut");
}

TEST(EventWordsTest, ReadingsSalesAndNotes) {
  v1::Event event;
  event.mutable_meter()->set_quantity(v1::QUANTITY_FRESH_WATER);
  event.mutable_meter()->set_value(12.25);
  event.mutable_meter()->set_unit("m3");
  event.mutable_meter()->set_place("inlet");
  EXPECT_EQ(EventWords(event), "meter: fresh water 12.25 m3, at inlet");
  event.mutable_sale()->set_programme("2");
  event.mutable_sale()->set_price_minor(1490);
  event.mutable_sale()->set_paid_by(v1::PAID_BY_CARD);
  EXPECT_EQ(EventWords(event), "sale, programme 2, paid by card, price 1490 in minor units");
  event.mutable_site_note()->set_kind(v1::NOTE_KIND_STOPPED_AND_CALLED);
  event.mutable_site_note()->set_text("brush hangs");
  EXPECT_EQ(EventWords(event), "note: stopped and called, brush hangs");
}

// A kind without words of its own would show as its bare name.
TEST(EventWordsTest, EveryKindThatStandsInAMachinesRowsHasWords) {
  const auto* what = v1::Event::descriptor()->FindOneofByName("what");
  ASSERT_NE(what, nullptr);
  std::set<std::string> seen;
  for (int i = 0; i < what->field_count(); ++i) {
    if (what->field(i)->name() == "tombstone") continue;
    v1::Event event;
    event.GetReflection()->MutableMessage(&event, what->field(i));
    EXPECT_NE(EventWords(event), EventKindWords(event.what_case())) << what->field(i)->name();
    EXPECT_TRUE(seen.insert(EventWords(event)).second) << EventWords(event);
  }
}

TEST(EventWordsTest, NumbersThisBuildDoesNotKnowAreShownAsSuch) {
  EXPECT_EQ(EventKindWords(12), "fault raised");
  EXPECT_EQ(EventKindWords(99), "kind 99");
  EXPECT_EQ(SoldAsWords(77), "value 77");
  EXPECT_EQ(SoldAsWords(0), "");
  EXPECT_EQ(OutcomeWords(CycleOutcome::kAbandoned), "abandoned");
  EXPECT_EQ(ClockWords(v1::CLOCK_STATE_UNSYNCED), "not synced");
}

}  // namespace
}  // namespace bayward::testing
