// A small fleet with a day of history behind the Figures service, for tests of what it answers. One thread.
#pragma once

#include <memory>
#include <utility>
#include <vector>

#include "gtest/gtest.h"
#include "server/api/figures_handlers.h"
#include "tests/support/small_fleet.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {

// Minute 0 is 2026-06-01T00:00Z; now is one day later.
inline constexpr int kNow = 1440;
inline constexpr double kMinute = 60;

// The letters of the history builder as classes that people know.
inline constexpr FaultClassNumber kJamClass = v1::FAULT_CLASS_DRIVE_TRACK_OBSTRUCTED;
inline constexpr FaultClassNumber kArmClass = v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT;

inline MachineHistory WithKnownClasses(MachineHistory history) {
  for (Spell& spell : history.spells) {
    if (spell.fault_class == kJam) spell.fault_class = kJamClass;
    if (spell.fault_class == kArm) spell.fault_class = kArmClass;
  }
  return history;
}

class FiguresHandlersTest : public ::testing::Test {
 protected:
  // Two machines at "alder" with a history, one that nobody ever observed; at "birch" one retired and one to
  // come.
  FiguresHandlersTest() : clock_(At(kNow)) {
    FleetBuilder builder;
    builder.AddSite("alder", "north").AddMachine("bay-1", "gantry").AddMachine("bay-2", "gantry");
    builder.AddMachine("lane", "tunnel");
    builder.AddSite("birch", "south").AddMachine("old", "gantry");
    builder.last_machine().calendar.retired_at = absl::CivilDay(2026, 5, 1);
    builder.AddMachine("new", "gantry");
    builder.last_machine().calendar.in_service_from = absl::CivilDay(2027, 1, 1);
    fleet_ = builder.Build();
    store_.histories[MachineId{1}] = WithKnownClasses(HistoryBuilder()
                                                          .Observed(0, kOpen)
                                                          .ObservedUntil(kNow)
                                                          .Fault(kJam, 100, 160)
                                                          .Fault(kArm, 200, 230)
                                                          .Fault(kWorn, 300, 420)
                                                          .Fault(kMains, 500, 560)
                                                          .Wash(600, 610)
                                                          .Wash(620, 625, CycleOutcome::kAborted)
                                                          .Build());
    store_.histories[MachineId{2}] = WithKnownClasses(HistoryBuilder()
                                                          .Observed(0, 700)
                                                          .Observed(800, kOpen)
                                                          .ObservedUntil(kNow)
                                                          .Fault(kJam, 900, 930)
                                                          .Build());
    store_.first_event_at = At(0);
    window_.set_from("2026-06-01T00:00:00Z");
  }

  v1::GetAvailabilityResponse Availability(v1::Grouping grouping, double confidence = 0) {
    v1::GetAvailabilityRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    request.set_grouping(grouping);
    request.set_confidence(confidence);
    const auto response = handlers_.GetAvailability(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::GetAvailabilityResponse());
  }

  v1::RankFaultsResponse Ranking(v1::Grouping grouping = v1::GROUPING_UNSPECIFIED,
                                 v1::RankBy by = v1::RANK_BY_UNSPECIFIED) {
    v1::RankFaultsRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    request.set_grouping(grouping);
    request.set_rank_by(by);
    const auto response = handlers_.RankFaults(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::RankFaultsResponse());
  }

  absl::StatusOr<v1::ListOutagesResponse> Outages(std::uint32_t rows_max = 0, std::vector<int> classes = {}) {
    v1::ListOutagesRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    request.set_rows_max(rows_max);
    for (const int number : classes) request.add_fault_classes(static_cast<v1::FaultClass>(number));
    return handlers_.ListOutages(caller_, request);
  }

  FakeClock clock_;
  FakeHistoryStore store_;
  FakeEpochNames epochs_;
  std::shared_ptr<const Fleet> fleet_;
  FiguresHandlers handlers_{{store_, epochs_, [this] { return fleet_; }, clock_, "2025b"}};
  Caller caller_;
  v1::Scope scope_;
  v1::Window window_;
};

}  // namespace bayward::testing
