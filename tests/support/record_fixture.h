// A machine with a day of history and its raw events behind the Records service, and stores that hold what a test
// puts into them. One thread.
#pragma once

#include <algorithm>
#include <map>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "bayward/v1/event.pb.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/api/record_handlers.h"
#include "tests/support/figures_fixture.h"
#include "tests/support/small_fleet.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {

class FakeEventStore : public EventStore {
 public:
  absl::StatusOr<FoundEvents> Find(const EventQuery& query, std::size_t rows_max) override {
    queries.push_back(query);
    FoundEvents found = beside;
    for (const StoredEvent& event : events[query.machine]) {
      const bool asked = query.effective.contains(event.effective_at) && (query.rehearsal || !event.rehearsal);
      if (asked && found.rows.size() < rows_max)
        found.rows.push_back(event);
      else if (asked)
        ++found.left_out;
    }
    return found;
  }
  absl::StatusOr<std::vector<StoredEvent>> HeldWashEvents(MachineId) override { return held_washes; }

  // Recorded and received at that minute; sequences count from 1.
  void Add(MachineId machine, int minute, v1::Event event) {
    StoredEvent stored;
    stored.received_at = stored.occurred_at = stored.effective_at = At(minute);
    stored.ref = {EpochId{1}, events[machine].size() + 1};
    stored.kind = static_cast<std::int16_t>(event.what_case());
    stored.rehearsal = event.rehearsal();
    event.set_clock(event.clock() == v1::CLOCK_STATE_UNSPECIFIED ? v1::CLOCK_STATE_SYNCED : event.clock());
    stored.payload = event.SerializeAsString();
    events[machine].push_back(stored);
  }

  std::map<MachineId, std::vector<StoredEvent>> events;
  std::vector<StoredEvent> held_washes;
  FoundEvents beside;  // what is said beside the rows
  std::vector<EventQuery> queries;
};

class FakeHoldStore : public HoldStore {
 public:
  absl::StatusOr<Hold> Add(const NewHold& hold) override {
    asked.push_back(hold);
    Hold added;
    added.id = holds.size() + 1;
    added.machine = hold.events.machine;
    added.interval = hold.events.effective;
    added.by = hold.by;
    added.reason = hold.reason;
    added.reference = hold.reference;
    added.recorded_at = At(kNow);
    added.events = 7;
    holds.insert(holds.begin(), added);
    return added;
  }
  absl::StatusOr<Hold> Release(std::uint64_t id, const std::string&, const std::string&) override {
    for (Hold& hold : holds) {
      if (hold.id != id) continue;
      hold.released_at = At(kNow);
      return hold;
    }
    return NotFound("there is no hold {}", id);
  }
  absl::StatusOr<std::vector<Hold>> List(std::span<const MachineId> machines) override {
    std::vector<Hold> listed;
    std::copy_if(holds.begin(), holds.end(), std::back_inserter(listed), [&](const Hold& hold) {
      return std::find(machines.begin(), machines.end(), hold.machine) != machines.end();
    });
    return listed;
  }

  std::vector<Hold> holds;
  std::vector<NewHold> asked;
};

class FakeSettlementStore : public SettlementStore {
 public:
  absl::Status Add(const NewSettlement& settlement) override {
    added.push_back(settlement);
    return absl::OkStatus();
  }

  std::vector<NewSettlement> added;
};

// Minutes after 2026-06-01T00:00Z; now is one day later. On alder/bay-1 a jam at 100-160, after it a clean wash; at
// 605 an arm hangs in the wash of 600-610, which is aborted; bay-2 is not observed at 700-800.
class RecordHandlersTest : public ::testing::Test {
 protected:
  RecordHandlersTest() : clock_(At(kNow)) {
    FleetBuilder builder;
    builder.AddSite("alder", "north").AddMachine("bay-1", "gantry").AddMachine("bay-2", "gantry");
    fleet_ = builder.Build();
    history().first_event_at = At(0);
    history().histories[MachineId{1}] = WithKnownClasses(HistoryBuilder()
                                                             .Observed(0, kOpen)
                                                             .ObservedUntil(kNow)
                                                             .Fault(kJam, 100, 160)
                                                             .Closed(170, 180, ModeReason::kUpkeep)
                                                             .Wash(200, 210)
                                                             .Fault(kWorn, 300, 420)
                                                             .Wash(310, 320)
                                                             .Wash(600, 610, CycleOutcome::kAborted)
                                                             .Fault(kArm, 605, 640)
                                                             .Wash(700, 710)
                                                             .Build());
    history().histories[MachineId{2}] =
        WithKnownClasses(HistoryBuilder().Observed(0, 700).Observed(800, kOpen).ObservedUntil(kNow).Build());
  }

  FakeHistoryStore& history() { return histories_; }

  absl::StatusOr<v1::GetWashRecordResponse> Record(const std::string& at,
                                                   const std::string& machine = "alder/bay-1") {
    v1::GetWashRecordRequest request;
    request.set_machine(machine);
    request.set_at(at);
    return handlers_.GetWashRecord(caller_, request);
  }
  absl::StatusOr<v1::GetOutageResponse> Outage(const std::string& at) {
    v1::GetOutageRequest request;
    request.set_machine("alder/bay-1");
    request.set_at(at);
    return handlers_.GetOutage(caller_, request);
  }

  FakeClock clock_;
  FakeHistoryStore histories_;
  FakeEpochNames epochs_;
  FakeEventStore events_;
  FakeHoldStore holds_;
  FakeSettlementStore settlements_;
  std::shared_ptr<const Fleet> fleet_;
  RecordHandlers handlers_{{histories_, epochs_, events_, holds_, settlements_, [this] { return fleet_; }, clock_}};
  Caller caller_;
};

}  // namespace bayward::testing
