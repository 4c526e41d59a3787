#include "server/api/fleet_handlers.h"

#include "absl/strings/str_split.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "tests/support/small_fleet.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

constexpr FaultClassNumber kAirClass = v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW;
constexpr FaultClassNumber kTrackClass = v1::FAULT_CLASS_DRIVE_TRACK_OBSTRUCTED;

class FakeLiveFleet : public LiveFleet {
 public:
  std::shared_ptr<const LiveSnapshot> Current() const override { return snapshot; }
  std::shared_ptr<LiveSnapshot> snapshot = std::make_shared<LiveSnapshot>();
};

class FakeHeldEvents : public HeldEventStore {
 public:
  absl::StatusOr<HeldEvents> ListRejected(std::span<const SiteId> sites, std::uint32_t rows_max) override {
    asked_sites.assign(sites.begin(), sites.end());
    asked_rows = rows_max;
    return rejected;
  }
  absl::StatusOr<HeldEvents> ListParked(std::span<const SiteId>, std::uint32_t) override { return parked; }

  HeldEvents rejected, parked;
  std::vector<SiteId> asked_sites;
  std::uint32_t asked_rows = 0;
};

Spell OpenFault(FaultClassNumber fault_class, int raised, Effect effect = Effect::kBlocking) {
  Spell spell;
  spell.fault_class = fault_class;
  spell.effect = effect;
  spell.raised_at = At(raised);
  return spell;
}

// "Now" is minute 1000 of 2026-06-01 UTC, 16:40; in Helsinki it is 19:40.
class FleetHandlersTest : public ::testing::Test {
 protected:
  static constexpr int kNow = 1000;

  FleetHandlersTest() : clock_(At(kNow)) {
    FleetBuilder builder;
    builder.AddSite("alder", "north", AlwaysOpenIn("Europe/Helsinki")).AddMachine("bay-1", "gantry");
    builder.AddMachine("air", "compressor");
    builder.AddSite("birch", "south").AddMachine("bay-1", "gantry");
    builder.last_machine().name = "Long lane";
    builder.last_machine().depends_on = {MachineId{2}};
    builder.last_machine().calendar.retired_at = absl::CivilDay(2026, 5, 1);
    SetFleet(builder.Build());
  }

  void SetFleet(std::shared_ptr<const Fleet> fleet) {
    LiveSnapshot& snapshot = *live_.snapshot;
    snapshot.as_of = At(kNow);
    snapshot.fleet = fleet;
    for (const Machine& machine : fleet->machines) {
      LiveMachine& view = snapshot.machines.emplace_back();
      view.id = machine.id;
      view.agent = AgentId{machine.site.value};
      view.observed = view.state.observed = view.required = true;
      view.as_of = At(kNow);
      view.now = {Condition::kUp, absl::InfinitePast()};
    }
    for (const Agent& agent : fleet->agents) {
      LiveAgent& view = snapshot.agents.emplace_back();
      view.id = agent.id;
      view.connected = true;
      view.last_seen = At(kNow);
      view.version = BAYWARD_VERSION;
    }
  }

  LiveMachine& machine(int id) { return live_.snapshot->machines[static_cast<std::size_t>(id - 1)]; }
  LiveAgent& agent(int id) { return live_.snapshot->agents[static_cast<std::size_t>(id - 1)]; }

  v1::LiveMachine Live(const std::string& name) const {
    v1::GetLiveRequest request;
    request.mutable_scope()->add_machines(name);
    const auto response = handlers_.GetLive(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.ok() ? response->machines(0) : v1::LiveMachine();
  }

  v1::DiagnoseResponse::Check CheckNamed(const std::string& name) const {
    const auto response = handlers_.Diagnose(caller_, {});
    EXPECT_TRUE(response.ok()) << response.status();
    for (const auto& check : response->checks()) {
      if (check.name() == name) return check;
    }
    ADD_FAILURE() << "no check " << name;
    return {};
  }

  FakeClock clock_;
  FakeLiveFleet live_;
  FakeHeldEvents held_;
  Declaration declared_;
  ApplyOptions options_;
  absl::StatusOr<ApplyOutcome> outcome_ = ApplyOutcome();
  Diagnostics diagnostics_{
      .checks = {[] {
        v1::DiagnoseResponse::Check check;
        check.set_name("disk");
        check.set_verdict(v1::DiagnoseResponse::Check::VERDICT_GOOD);
        return std::vector{check};
      }},
      .schema_version = [] { return 2U; },
      .configuration = [] { return std::vector<std::string>{"database = *** (default)"}; }};
  FleetHandlers handlers_{{live_,
                           {[this](const Declaration& declaration, const ApplyOptions& options) {
                              declared_ = declaration;
                              options_ = options;
                              return outcome_;
                            },
                            [] { return absl::StatusOr<std::string>("# fleet\n"); }},
                           held_,
                           clock_,
                           diagnostics_}};
  Caller caller_;
};

TEST_F(FleetHandlersTest, SitesCountTheirMachinesAndThoseThatAreDown) {
  machine(1).now = {Condition::kDown, At(900)};
  const auto response = handlers_.ListSites(caller_, {});
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->sites_size(), 2);
  EXPECT_EQ(response->sites(0).site(), "alder");
  EXPECT_EQ(response->sites(0).machines(), 2U);
  EXPECT_EQ(response->sites(0).machines_down(), 1U);
  EXPECT_EQ(response->sites(0).time_zone(), "Europe/Helsinki");
  ASSERT_EQ(response->sites(0).agents_size(), 1);
  EXPECT_EQ(response->sites(0).agents(0).agent(), "agent-alder");
  EXPECT_TRUE(response->sites(0).agents(0).connected());
  EXPECT_EQ(response->sites(1).machines_down(), 0U);
}

TEST_F(FleetHandlersTest, MachinesSayWhoWatchesThemAndWhatTheyDependOn) {
  const auto response = handlers_.ListMachines(caller_, {});
  ASSERT_TRUE(response.ok()) << response.status();
  ASSERT_EQ(response->machines_size(), 3);
  EXPECT_EQ(response->machines(0).machine(), "alder/air");
  EXPECT_EQ(response->machines(0).agent(), "agent-alder");
  EXPECT_EQ(response->machines(0).in_service_from(), "");
  EXPECT_EQ(response->machines(2).name(), "Long lane");
  EXPECT_EQ(response->machines(2).region(), "south");
  EXPECT_EQ(response->machines(2).retired_at(), "2026-05-01");
  EXPECT_THAT(response->machines(2).depends_on(), ElementsAre("alder/air"));
}

TEST_F(FleetHandlersTest, DownIsExplainedByItsFaultsInTheSitesOwnTime) {
  Spell air = OpenFault(kAirClass, 662);  // 11:02 UTC
  air.raw_code = "E07";
  machine(1).state.spells = {OpenFault(kTrackClass, 700, Effect::kDegrading), air};
  machine(1).now = {Condition::kDown, At(662)};
  const v1::LiveMachine row = Live("alder/bay-1");
  EXPECT_EQ(row.condition(), v1::CONDITION_DOWN);
  EXPECT_EQ(row.since_us(), absl::ToUnixMicros(At(662)));
  EXPECT_EQ(row.why(), "air_supply.pressure_low since 14:02 (raw E07); drive.track_obstructed since 14:40");
  ASSERT_EQ(row.faults_size(), 2);
  EXPECT_EQ(row.faults(0).name(), "air_supply.pressure_low");
  EXPECT_EQ(row.faults(0).effect(), v1::EFFECT_BLOCKING);
  EXPECT_EQ(row.faults(0).raw_code(), "E07");
}

TEST_F(FleetHandlersTest, AnotherDayIsNamed) {
  machine(1).state.spells = {OpenFault(kAirClass, -600)};
  machine(1).now = {Condition::kDown, At(-600)};
  EXPECT_EQ(Live("alder/bay-1").why(), "air_supply.pressure_low since 2026-05-31 17:00");
}

TEST_F(FleetHandlersTest, WhatASnapshotFoundBeganAtAnUnknownTime) {
  Spell found = OpenFault(kAirClass, 990);
  found.began_unobserved = true;
  machine(1).state.spells = {found};
  EXPECT_EQ(Live("alder/bay-1").why(), "air_supply.pressure_low found 19:30");
}

TEST_F(FleetHandlersTest, AClosureStandsBeforeTheFaultsThatItHides) {
  machine(1).state.mode = {.mode = Mode::kClosed, .reason = ModeReason::kFrost, .from = At(600)};
  machine(1).state.spells = {OpenFault(kAirClass, 662)};
  machine(1).now = {Condition::kWithheld, At(600)};
  const v1::LiveMachine row = Live("alder/bay-1");
  EXPECT_EQ(row.why(), "closed for frost since 13:00; air_supply.pressure_low since 14:02");
  EXPECT_EQ(row.mode(), v1::MODE_CLOSED);
  EXPECT_EQ(row.mode_reason(), v1::MODE_REASON_FROST);
}

TEST_F(FleetHandlersTest, UnknownSaysWhoIsMissing) {
  machine(1).now = {Condition::kUnknown, absl::InfinitePast()};
  machine(1).observed = false;
  machine(1).as_of = At(940);
  agent(1).connected = false;
  EXPECT_EQ(Live("alder/bay-1").why(), "its agent is not heard since 18:40");
  EXPECT_FALSE(Live("alder/bay-1").agent_connected());

  machine(1).as_of = absl::InfinitePast();
  EXPECT_EQ(Live("alder/bay-1").why(), "its agent was never heard");
  EXPECT_EQ(Live("alder/bay-1").as_of_us(), 0);

  agent(1).connected = true;
  machine(1).as_of = At(kNow);
  machine(1).state.observed = false;
  machine(1).state.span.to = At(930);
  EXPECT_EQ(Live("alder/bay-1").why(), "its source is not read since 18:30");

  machine(1).agent = AgentId{};
  EXPECT_EQ(Live("alder/bay-1").why(), "no agent is assigned");
}

TEST_F(FleetHandlersTest, NotRequiredSaysWhy) {
  machine(1).now = machine(3).now = {Condition::kNotRequired, absl::InfinitePast()};
  EXPECT_EQ(Live("alder/bay-1").why(), "outside required time");
  EXPECT_EQ(Live("birch/bay-1").why(), "retired 2026-05-01");
}

TEST_F(FleetHandlersTest, UpNeedsNoWords) {
  const v1::LiveMachine row = Live("alder/bay-1");
  EXPECT_EQ(row.condition(), v1::CONDITION_UP);
  EXPECT_EQ(row.why(), "");
  EXPECT_EQ(row.as_of_us(), absl::ToUnixMicros(At(kNow)));
  EXPECT_TRUE(row.agent_connected());
}

TEST_F(FleetHandlersTest, ADeclarationIsReadAndHandedToTheRegistry) {
  outcome_->changes = {"+ site alder"};
  v1::DeclareFleetRequest request;
  auto& file = *request.add_files();
  file.set_name("fleet.toml");
  file.set_text("[fleet]\ndemonstration = true\n");
  request.set_allow_drop(true);
  const auto response = handlers_.DeclareFleet(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  EXPECT_TRUE(declared_.demonstration);
  EXPECT_FALSE(options_.apply);
  EXPECT_TRUE(options_.allow_drop);
  EXPECT_EQ(options_.now, At(kNow));
  EXPECT_THAT(response->changes(), ElementsAre("+ site alder"));
  EXPECT_EQ(handlers_.ExportFleet(caller_, {})->text(), "# fleet\n");
}

TEST_F(FleetHandlersTest, AFaultyDeclarationNeverReachesTheRegistry) {
  v1::DeclareFleetRequest request;
  EXPECT_THAT(Message(handlers_.DeclareFleet(caller_, request).status()),
              HasSubstr("at least one declaration file"));
  auto& file = *request.add_files();
  file.set_name("fleet.toml");
  file.set_text("[[sites");
  request.set_apply(true);
  const absl::Status status = handlers_.DeclareFleet(caller_, request).status();
  EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(Message(status), HasSubstr("fleet.toml:1"));
  EXPECT_FALSE(options_.apply);
}

TEST_F(FleetHandlersTest, ManyFaultsAreCutToWhatAStatusCarries) {
  std::string many;
  for (int i = 0; i < 500; ++i) many += "fleet.toml:" + std::to_string(i) + ": a fault\n";
  many.pop_back();
  outcome_ = MakeStatus(absl::StatusCode::kFailedPrecondition, many);
  v1::DeclareFleetRequest request;
  request.add_files()->set_name("fleet.toml");
  const absl::Status status = handlers_.DeclareFleet(caller_, request).status();
  EXPECT_EQ(status.code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_LT(Message(status).size(), 3'100U);
  const std::vector<std::string> lines = absl::StrSplit(std::string(Message(status)), '\n');
  EXPECT_EQ(lines.back(), "and " + std::to_string(501 - lines.size()) + " faults more");
  EXPECT_EQ(lines.front(), "fleet.toml:0: a fault");
}

TEST_F(FleetHandlersTest, HeldEventsAreListedBySite) {
  HeldEventRow row;
  row.agent = AgentId{1};
  row.machine = "bay-9";
  row.epoch = std::string(16, 'e');
  row.sequence = 7;
  row.received_at = At(5);
  row.reason = "absurd_time";
  row.payload = "\x01";
  held_.rejected = {{row}, 12};
  v1::ListRejectedEventsRequest request;
  request.mutable_scope()->add_regions("north");
  const auto response = handlers_.ListRejectedEvents(caller_, request);
  ASSERT_TRUE(response.ok()) << response.status();
  EXPECT_THAT(held_.asked_sites, ElementsAre(SiteId{1}));
  EXPECT_EQ(held_.asked_rows, 100U);
  EXPECT_EQ(response->total(), 12U);
  EXPECT_EQ(response->events(0).agent(), "agent-alder");
  EXPECT_EQ(response->events(0).machine(), "bay-9");
  EXPECT_EQ(response->events(0).reason(), "absurd_time");
  EXPECT_EQ(handlers_.ListParkedEvents(caller_, {})->total(), 0U);

  request.set_rows_max(1001);
  EXPECT_EQ(handlers_.ListRejectedEvents(caller_, request).status().code(),
            absl::StatusCode::kInvalidArgument);
  request.set_rows_max(1);
  request.mutable_scope()->add_kinds("gantry");
  EXPECT_THAT(Message(handlers_.ListRejectedEvents(caller_, request).status()),
              HasSubstr("regions and sites only"));
}

TEST_F(FleetHandlersTest, ADiagnosisPutsEverythingTogether) {
  const auto response = handlers_.Diagnose(caller_, {});
  ASSERT_TRUE(response.ok()) << response.status();
  EXPECT_EQ(response->server_version(), BAYWARD_VERSION);
  EXPECT_EQ(response->schema_version(), 2U);
  EXPECT_THAT(response->configuration(), ElementsAre("database = *** (default)"));
  EXPECT_EQ(response->checks(0).name(), "disk");
  EXPECT_EQ(response->agents_size(), 2);
  for (const auto& check : response->checks()) {
    EXPECT_EQ(check.verdict(), v1::DiagnoseResponse::Check::VERDICT_GOOD)
        << check.name() << ": " << check.found();
    EXPECT_EQ(check.advice(), "");
  }
}

TEST_F(FleetHandlersTest, ClocksAreLookedAtFromTwoSecondsAndBadFromSixty) {
  using Check = v1::DiagnoseResponse::Check;
  agent(1).clock_offset = absl::Seconds(2);
  EXPECT_EQ(CheckNamed("agent clocks").verdict(), Check::VERDICT_GOOD);
  agent(1).clock_offset = -absl::Milliseconds(2100);
  EXPECT_EQ(CheckNamed("agent clocks").verdict(), Check::VERDICT_LOOK);
  EXPECT_THAT(CheckNamed("agent clocks").found(), HasSubstr("agent-alder -2.1 s"));
  agent(2).clock_offset = absl::Seconds(61);
  EXPECT_EQ(CheckNamed("agent clocks").verdict(), Check::VERDICT_BAD);
  EXPECT_THAT(CheckNamed("agent clocks").found(), HasSubstr("agent-birch +61.0 s, agent-alder"));
}

TEST_F(FleetHandlersTest, AgentsNotHeardForFiveMinutesAreNamed) {
  using Check = v1::DiagnoseResponse::Check;
  agent(1).last_seen = At(kNow - 5);
  EXPECT_EQ(CheckNamed("agents heard").verdict(), Check::VERDICT_GOOD);
  agent(1).last_seen = At(kNow - 6);
  agent(2).last_seen = absl::InfinitePast();
  EXPECT_EQ(CheckNamed("agents heard").verdict(), Check::VERDICT_LOOK);
  EXPECT_EQ(CheckNamed("agents heard").found(),
            "2 of 2 not heard for 5 min: agent-alder (6 min ago), agent-birch (never)");
  EXPECT_NE(CheckNamed("agents heard").advice(), "");
}

TEST_F(FleetHandlersTest, DifferentProgramsAndCodeBooksAreNamed) {
  using Check = v1::DiagnoseResponse::Check;
  agent(2).version = "0.0.9";
  EXPECT_EQ(CheckNamed("agent versions").verdict(), Check::VERDICT_LOOK);
  EXPECT_THAT(CheckNamed("agent versions").found(), HasSubstr("0.0.9: agent-birch"));
  agent(1).code_books = {{"bay-1", "gantry-a", "3", "aaaaaaaaaa"}};
  agent(2).code_books = {{"bay-1", "gantry-a", "3", "aaaaaaaaaa"}};
  EXPECT_EQ(CheckNamed("code books").verdict(), Check::VERDICT_GOOD);
  agent(2).code_books = {{"bay-1", "gantry-a", "3", "bbbbbbbbbb"}};
  EXPECT_EQ(CheckNamed("code books").verdict(), Check::VERDICT_LOOK);
  EXPECT_THAT(CheckNamed("code books").found(), HasSubstr("gantry-a: 3 (aaaaaaaa) and 3 (bbbbbbbb)"));
}

TEST_F(FleetHandlersTest, AFullSpoolIsLookedAtAndALossIsBad) {
  using Check = v1::DiagnoseResponse::Check;
  agent(1).spool_bytes_max = 100;
  agent(1).spool_bytes = 80;
  EXPECT_EQ(CheckNamed("agent spools").verdict(), Check::VERDICT_GOOD);
  agent(1).spool_bytes = 81;
  EXPECT_EQ(CheckNamed("agent spools").verdict(), Check::VERDICT_LOOK);
  EXPECT_THAT(CheckNamed("agent spools").found(), HasSubstr("agent-alder 81 % full"));
  agent(2).dropped_events = 3;
  EXPECT_EQ(CheckNamed("agent spools").verdict(), Check::VERDICT_BAD);
}

TEST_F(FleetHandlersTest, BeforeTheFirstSnapshotItIsUnavailable) {
  live_.snapshot = nullptr;
  EXPECT_EQ(handlers_.GetLive(caller_, {}).status().code(), absl::StatusCode::kUnavailable);
  EXPECT_EQ(handlers_.ListSites(caller_, {}).status().code(), absl::StatusCode::kUnavailable);
  EXPECT_EQ(handlers_.ListParkedEvents(caller_, {}).status().code(), absl::StatusCode::kUnavailable);
}

}  // namespace
}  // namespace bayward::testing
