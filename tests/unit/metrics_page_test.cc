#include "server/metrics/metrics_page.h"

#include <unistd.h>

#include <string>

#include "bayward/v1/fault_class.pb.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/fake_live_fleet.h"

namespace bayward {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

class MetricsPageTest : public ::testing::Test {
 protected:
  std::string Show(const LiveSnapshot& snapshot) {
    fleet_.Show(snapshot);
    clock_.Advance(absl::Seconds(1));
    return *page_.Current();
  }

  FakeLiveFleet fleet_;
  IngestCounts counts_;
  FakeClock clock_{absl::FromUnixSeconds(1'750'000'000)};
  MetricsPage page_{fleet_, counts_, {.fleet_series_max = 1000, .disk_paths = {"/tmp"}}, clock_};
};

Spell BlockingSpell(int fault_class, bool rehearsal = false) {
  Spell spell;
  spell.fault_class = fault_class;
  spell.effect = Effect::kBlocking;
  spell.rehearsal = rehearsal;
  return spell;
}

// The value of the one series that begins so, or "none".
std::string ValueOf(const std::string& page, const std::string& series) {
  const std::size_t at = page.find("\n" + series + " ");
  if (at == std::string::npos) return "none";
  const std::size_t value = at + series.size() + 2;
  return page.substr(value, page.find('\n', value) - value);
}

TEST_F(MetricsPageTest, AMachineIsInExactlyOneCondition) {
  LiveSnapshot snapshot = MakeSnapshot(1, 1);
  const std::pair<Condition, std::string> conditions[] = {
      {Condition::kUp, "up"},           {Condition::kDegraded, "degraded"},
      {Condition::kDown, "down"},       {Condition::kWithheld, "withheld"},
      {Condition::kUnknown, "unknown"}, {Condition::kNotRequired, "not_required"}};
  for (const auto& [condition, name] : conditions) {
    snapshot.machines[0].now.condition = condition;
    const std::string page = Show(snapshot);
    for (const auto& [other, other_name] : conditions) {
      const std::string series =
          "bayward_machine_condition{site=\"site-1\",machine=\"site-1/bay-1\",condition=\"" + other_name +
          "\"}";
      EXPECT_EQ(ValueOf(page, series), other == condition ? "1" : "0") << name;
    }
  }
}

TEST_F(MetricsPageTest, AMachineShowsWhatWasSeenOfIt) {
  LiveSnapshot snapshot = MakeSnapshot(1, 1);
  LiveMachine& live = snapshot.machines[0];
  live.seen = {.required = 100, .up = 50, .degraded = 20, .down = 15.5, .withheld = 10, .unknown = 4.5};
  live.cycles_completed = 7;
  live.cycles_aborted = 2;
  live.now.condition = Condition::kDown;
  live.now.since = absl::FromUnixMillis(1'749'999'000'250);
  live.state.spells = {BlockingSpell(v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW)};
  const std::string page = Show(snapshot);
  const std::string labels = R"({site="site-1",machine="site-1/bay-1")";
  EXPECT_EQ(ValueOf(page, "bayward_machine_required_seconds_total" + labels + "}"), "100");
  EXPECT_EQ(ValueOf(page, "bayward_machine_condition_seconds_total" + labels + R"(,condition="up"})"), "50");
  EXPECT_EQ(ValueOf(page, "bayward_machine_condition_seconds_total" + labels + R"(,condition="degraded"})"),
            "20");
  EXPECT_EQ(ValueOf(page, "bayward_machine_condition_seconds_total" + labels + R"(,condition="down"})"),
            "15.5");
  EXPECT_EQ(ValueOf(page, "bayward_machine_condition_seconds_total" + labels + R"(,condition="withheld"})"),
            "10");
  EXPECT_EQ(ValueOf(page, "bayward_machine_condition_seconds_total" + labels + R"(,condition="unknown"})"),
            "4.5");
  EXPECT_EQ(ValueOf(page, "bayward_machine_cycles_total" + labels + R"(,outcome="completed"})"), "7");
  EXPECT_EQ(ValueOf(page, "bayward_machine_cycles_total" + labels + R"(,outcome="aborted"})"), "2");
  EXPECT_EQ(ValueOf(page, "bayward_machine_condition_since_timestamp_seconds" + labels + "}"),
            "1749999000.25");
  EXPECT_EQ(ValueOf(page, "bayward_machine_open_blocking_faults" + labels + "}"), "1");
  EXPECT_EQ(ValueOf(page, "bayward_machine_info" + labels + R"(,kind="gantry",region="north"})"), "1");
}

TEST_F(MetricsPageTest, FaultsAreCountedByClassWithTheAbsentOnesAsZero) {
  LiveSnapshot snapshot = MakeSnapshot(1, 2);
  Spell advisory = BlockingSpell(v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW);
  advisory.effect = Effect::kAdvisory;
  snapshot.machines[0].state.spells = {BlockingSpell(v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW),
                                       BlockingSpell(99'999)};
  snapshot.machines[1].state.spells = {advisory};
  const std::string page = Show(snapshot);
  EXPECT_EQ(ValueOf(page, R"(bayward_open_faults{fault_class="air_supply.pressure_low"})"), "2");
  EXPECT_EQ(ValueOf(page, R"(bayward_open_faults{fault_class="not_known_here"})"), "1");
  std::size_t classes = 0;
  for (std::size_t at = page.find("\nbayward_open_faults{"); at != std::string::npos;
       at = page.find("\nbayward_open_faults{", at + 1)) {
    ++classes;
  }
  // Every class of the enum but UNSPECIFIED, and one for those it does not know.
  EXPECT_EQ(classes, static_cast<std::size_t>(v1::FaultClass_descriptor()->value_count()));
  EXPECT_EQ(ValueOf(page, R"(bayward_machine_open_blocking_faults{site="site-1",machine="site-1/bay-2"})"),
            "0");
}

TEST_F(MetricsPageTest, RehearsalFaultsCountInADemonstrationOnly) {
  LiveSnapshot snapshot = MakeSnapshot(1, 1);
  snapshot.machines[0].state.spells = {BlockingSpell(v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW, true)};
  const std::string series = R"(bayward_machine_open_blocking_faults{site="site-1",machine="site-1/bay-1"})";
  EXPECT_EQ(ValueOf(Show(snapshot), series), "0");
  auto demonstration = std::make_shared<Fleet>(*snapshot.fleet);
  demonstration->demonstration = true;
  snapshot.fleet = demonstration;
  EXPECT_EQ(ValueOf(Show(snapshot), series), "1");
}

TEST_F(MetricsPageTest, AnAgentShowsWhatItSaid) {
  LiveSnapshot snapshot = MakeSnapshot(1, 0);
  const std::string labels = R"({site="site-1",agent="box-1"})";
  std::string page = Show(snapshot);
  EXPECT_EQ(ValueOf(page, "bayward_agent_connected" + labels), "0");
  EXPECT_EQ(ValueOf(page, "bayward_agent_last_seen_timestamp_seconds" + labels), "none");
  LiveAgent& live = snapshot.agents[0];
  live.connected = true;
  live.last_seen = absl::FromUnixSeconds(1'749'999'999);
  live.version = "0.1.0";
  live.watermark = 90;
  live.last_recorded = 100;
  live.backlog_events = 12;
  live.spool_bytes = 4096;
  live.spool_bytes_max = 1'000'000;
  live.dropped_events = 3;
  live.clock_offset = -absl::Milliseconds(1500);
  page = Show(snapshot);
  EXPECT_EQ(ValueOf(page, "bayward_agent_connected" + labels), "1");
  EXPECT_EQ(ValueOf(page, "bayward_agent_last_seen_timestamp_seconds" + labels), "1749999999");
  EXPECT_EQ(ValueOf(page, "bayward_agent_watermark_lag_events" + labels), "10");
  EXPECT_EQ(ValueOf(page, "bayward_agent_spool_events" + labels), "12");
  EXPECT_EQ(ValueOf(page, "bayward_agent_spool_bytes" + labels), "4096");
  EXPECT_EQ(ValueOf(page, "bayward_agent_spool_limit_bytes" + labels), "1e+06");
  EXPECT_EQ(ValueOf(page, "bayward_agent_dropped_events_total" + labels), "3");
  EXPECT_EQ(ValueOf(page, "bayward_agent_clock_offset_seconds" + labels), "-1.5");
  EXPECT_THAT(page, HasSubstr(R"(bayward_agent_info{site="site-1",agent="box-1",version="0.1.0"} 1)"));
  live.watermark = 101;  // a restored spool: what it says is behind what is known
  EXPECT_EQ(ValueOf(Show(snapshot), "bayward_agent_watermark_lag_events" + labels), "0");
}

TEST_F(MetricsPageTest, NamesFromTheDeclarationAreEscaped) {
  LiveSnapshot snapshot = MakeSnapshot(1, 1);
  auto fleet = std::make_shared<Fleet>(*snapshot.fleet);
  fleet->sites[0].region = "Nord \"1\"\\\n";
  snapshot.fleet = fleet;
  EXPECT_THAT(Show(snapshot), HasSubstr("region=\"Nord \\\"1\\\"\\\\\\n\"} 1\n"));
}

TEST_F(MetricsPageTest, WhatIsNoLongerDeclaredDisappears) {
  EXPECT_THAT(Show(MakeSnapshot(2, 1)), HasSubstr("site-2"));
  EXPECT_THAT(Show(MakeSnapshot(1, 1)), Not(HasSubstr("site-2")));
  // A snapshot in which a machine is still live that the fleet does not declare any more.
  LiveSnapshot behind = MakeSnapshot(2, 1);
  behind.fleet = MakeSnapshot(1, 1).fleet;
  EXPECT_THAT(Show(behind), Not(HasSubstr("site-2")));
}

TEST_F(MetricsPageTest, SeriesAreCappedAndTheCapIsShown) {
  std::string page = Show(MakeSnapshot(10, 1));
  EXPECT_EQ(ValueOf(page, "bayward_series_dropped_total"), "0");
  EXPECT_EQ(ValueOf(page, "bayward_series_limit"), "1000");
  page = Show(MakeSnapshot(100, 3));
  const double written = std::stod(ValueOf(page, "bayward_series"));
  EXPECT_LE(written, 1000);
  EXPECT_GT(written, 990);
  const double dropped = std::stod(ValueOf(page, "bayward_series_dropped_total"));
  EXPECT_GT(dropped, 0);
  // The server's own series are not the ones that go.
  EXPECT_NE(ValueOf(page, "bayward_ingest_events_total"), "none");
  // It counts on with every rendering.
  page = Show(MakeSnapshot(100, 3));
  EXPECT_EQ(std::stod(ValueOf(page, "bayward_series_dropped_total")), 2 * dropped);
}

TEST_F(MetricsPageTest, IsRenderedAtMostOnceASecond) {
  const auto first = page_.Current();
  counts_.events = 5;
  clock_.Advance(absl::Milliseconds(999));
  EXPECT_EQ(page_.Current(), first);
  clock_.Advance(absl::Milliseconds(1));
  const auto second = page_.Current();
  EXPECT_NE(second, first);
  EXPECT_EQ(ValueOf(*first, "bayward_ingest_events_total"), "0");
  EXPECT_EQ(ValueOf(*second, "bayward_ingest_events_total"), "5");
}

TEST_F(MetricsPageTest, IngestIsShown) {
  counts_.batches = 1;
  counts_.duplicates = 2;
  counts_.gaps = 3;
  counts_.tombstones = 4;
  counts_.rejected = 5;
  counts_.parked = 6;
  counts_.clock_errors = 7;
  counts_.lost_by_server = 8;
  counts_.queue_batches = 9;
  counts_.queue_capacity = 10;
  counts_.held_for_disk = true;
  counts_.ObserveCommit(0.0005);
  counts_.ObserveCommit(0.004);
  counts_.ObserveCommit(9);
  const std::string page = *page_.Current();
  EXPECT_EQ(ValueOf(page, "bayward_ingest_batches_total"), "1");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_duplicate_events_total"), "2");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_gaps_total"), "3");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_tombstoned_events_total"), "4");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_rejected_events_total"), "5");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_parked_events_total"), "6");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_clock_errors_total"), "7");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_lost_by_server_events_total"), "8");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_queue_batches"), "9");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_queue_capacity"), "10");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_held_for_disk"), "1");
  EXPECT_EQ(ValueOf(page, R"(bayward_ingest_commit_duration_seconds_bucket{le="0.001"})"), "1");
  EXPECT_EQ(ValueOf(page, R"(bayward_ingest_commit_duration_seconds_bucket{le="0.005"})"), "2");
  EXPECT_EQ(ValueOf(page, R"(bayward_ingest_commit_duration_seconds_bucket{le="5"})"), "2");
  EXPECT_EQ(ValueOf(page, R"(bayward_ingest_commit_duration_seconds_bucket{le="+Inf"})"), "3");
  EXPECT_EQ(ValueOf(page, "bayward_ingest_commit_duration_seconds_count"), "3");
}

TEST_F(MetricsPageTest, TheProcessAndTheDiskAreShown) {
  const std::string page = *page_.Current();
  const double resident = std::stod(ValueOf(page, "process_resident_memory_bytes"));
  EXPECT_GT(resident, 1e6);
  EXPECT_LT(resident, std::stod(ValueOf(page, "process_virtual_memory_bytes")));
  EXPECT_GT(std::stod(ValueOf(page, "process_cpu_seconds_total")), 0);
  EXPECT_GE(std::stod(ValueOf(page, "process_threads")), 1);
  const double started = std::stod(ValueOf(page, "process_start_time_seconds"));
  const double now = absl::ToDoubleSeconds(absl::Now() - absl::UnixEpoch());
  EXPECT_LE(started, now + 2);
  EXPECT_GT(started, now - 3600);
  EXPECT_GT(std::stod(ValueOf(page, R"(bayward_disk_size_bytes{path="/tmp"})")),
            std::stod(ValueOf(page, R"(bayward_disk_free_bytes{path="/tmp"})")));
  EXPECT_EQ(ValueOf(page, "bayward_snapshot_timestamp_seconds"), "0");
  EXPECT_GT(std::stod(ValueOf(page, "bayward_scrape_duration_seconds")), 0);
  EXPECT_THAT(page, HasSubstr("bayward_build_info{version=\"" BAYWARD_VERSION "\",compiler=\""));
}

TEST_F(MetricsPageTest, OpenDescriptorsAreCounted) {
  const double before = std::stod(ValueOf(*page_.Current(), "process_open_fds"));
  const int one = dup(0), two = dup(0);
  clock_.Advance(absl::Seconds(1));
  EXPECT_EQ(std::stod(ValueOf(*page_.Current(), "process_open_fds")), before + 2);
  close(one);
  close(two);
}

}  // namespace
}  // namespace bayward
