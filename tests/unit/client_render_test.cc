#include "server/cli/render.h"

#include "absl/strings/str_split.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

constexpr std::int64_t kNoon = 1785585600000000;  // 2026-08-01T12:00:00Z
constexpr std::int64_t kMinute = 60'000'000;
const TimeText kUtc{absl::UTCTimeZone()};

void ExpectFits(const std::string& text) {
  for (const auto& line : absl::StrSplit(text, '\n')) {
    EXPECT_LE(DisplayWidth({line.data(), line.size()}), kTableWidthMax) << line;
  }
}

v1::AvailabilityRow Row(const std::string& group, double up_hours, double down_hours) {
  v1::AvailabilityRow row;
  row.set_group(group);
  row.set_machines(2);
  row.set_required_seconds((up_hours + down_hours) * 3600);
  row.set_up_seconds(up_hours * 3600);
  row.set_down_seconds(down_hours * 3600);
  row.set_availability(up_hours / (up_hours + down_hours));
  row.set_service_availability(up_hours / (up_hours + down_hours));
  row.set_outages(5);
  row.set_failures(4);
  row.set_mtbf_seconds(up_hours / 4 * 3600);
  row.set_mtbf_lower_seconds(up_hours / 8 * 3600);
  row.set_mtbf_upper_seconds(up_hours / 2 * 3600);
  row.set_mean_down_seconds(1.5 * 3600);
  return row;
}

v1::GetAvailabilityResponse TwoSites() {
  v1::GetAvailabilityResponse response;
  *response.add_rows() = Row("alder", 1400, 40);
  v1::AvailabilityRow& birch = *response.add_rows();
  birch = Row("birch", 700, 0);
  birch.set_required_seconds(720 * 3600);
  birch.set_unknown_pending_seconds(15 * 3600);
  birch.set_unknown_lost_seconds(5 * 3600);
  birch.set_availability_low(700.0 / 720);
  birch.set_availability_high(1);
  birch.set_outages(0);
  birch.set_failures(0);
  birch.clear_mtbf_seconds();
  birch.clear_mtbf_upper_seconds();
  birch.clear_mean_down_seconds();
  birch.set_provisional(true);
  *response.mutable_total() = Row("total", 2100, 40);
  response.mutable_total()->set_provisional(true);
  response.mutable_total()->set_cycles_completed(12345);
  response.mutable_total()->set_cycles_aborted(6);
  response.set_from_us(kNoon - 30 * 1440 * kMinute);
  response.set_to_us(kNoon);
  response.set_as_of_us(kNoon);
  response.set_confidence(0.9);
  response.add_notes("An agreement.");
  return response;
}

TEST(RenderAvailabilityTest, TwoTablesThenWashesAndNotes) {
  EXPECT_EQ(RenderAvailability(TwoSites(), "site", kUtc),
            "2026-07-02 12:00 to 2026-08-01 12:00 (UTC), as of 2026-08-01 12:00\n"
            "\n"
            "Where required time went\n"
            "\n"
            "            ma-  required       up  degraded  down  withheld  unknown  left out\n"
            "site     chines         h        h         h     h         h        h         h\n"
            "-------------------------------------------------------------------------------\n"
            "alder         2   1,440.0  1,400.0         0  40.0         0        0         0\n"
            "birch ~       2     720.0    700.0         0     0         0     20.0         0\n"
            "-------------------------------------------------------------------------------\n"
            "total ~       2   2,140.0  2,100.0         0  40.0         0        0         0\n"
            "\n"
            "Availability and failures\n"
            "\n"
            "          availa-  unknown leaves  service  out-  fail-   MTBF       MTBF, 90 %        mean\n"
            "site     bility %          open %        %  ages   ures      h         limits h        down\n"
            "-------------------------------------------------------------------------------------------\n"
            "alder       97.22                    97.22     5      4  350.0    175.0 - 700.0  1 h 30 min\n"
            "birch ~    100.00  97.22 - 100.00   100.00     0      0      -        over 87.5           -\n"
            "-------------------------------------------------------------------------------------------\n"
            "total ~     98.13                    98.13     5      4  525.0  262.5 - 1,050.0  1 h 30 min\n"
            "\n"
            "Washes: 12,345 completed, 6 aborted.\n"
            "~ provisional\n"
            "\n"
            "  * An agreement.\n");
}

TEST(RenderAvailabilityTest, StopsThatAreNoFailuresAreToldApart) {
  v1::GetAvailabilityResponse response = TwoSites();
  response.mutable_total()->set_user_outages(3);
  response.mutable_total()->set_failures_unobserved(2);
  response.mutable_total()->set_found_at_opening(1);
  response.mutable_total()->set_contradictory_cycles(4);
  EXPECT_THAT(RenderAvailability(response, "site", kUtc),
              HasSubstr("aborted; 4 completed while a blocking fault was active.\n"
                        "Further outages: 3 by customers, 0 by people's own acts.\n"
                        "Failures found when watching began again, so not counted: 2.\n"
                        "Failures found at opening: 1.\n"));
}

TEST(RenderAvailabilityTest, OneGroupNeedsNoTotal) {
  v1::GetAvailabilityResponse response = TwoSites();
  response.mutable_rows()->RemoveLast();
  EXPECT_THAT(RenderAvailability(response, "fleet", kUtc), Not(HasSubstr("total")));
}

TEST(RenderAvailabilityTest, WhatWasNotObservedIsNotKnown) {
  v1::GetAvailabilityResponse response;
  v1::AvailabilityRow& row = *response.add_rows();
  row.set_group("alder/lane");
  row.set_machines(1);
  row.set_required_seconds(3600);
  row.set_unknown_pending_seconds(3600);
  const std::string text = RenderAvailability(response, "machine", kUtc);
  EXPECT_THAT(text, HasSubstr("alder/lane  not known"));
  EXPECT_THAT(text, Not(HasSubstr("100.00")));
}

TEST(RenderAvailabilityTest, TheWidestFleetFits) {
  v1::GetAvailabilityResponse response;
  v1::AvailabilityRow row = Row(std::string(60, 'w') + "/" + std::string(40, 'b'), 17'000'000, 500'000);
  row.set_machines(2'000);
  const double seconds = 3600.0 * 999'999;
  row.set_degraded_seconds(seconds);
  row.set_withheld_seconds(seconds);
  row.set_unknown_lost_seconds(seconds);
  row.set_excluded_seconds(seconds);
  row.set_availability_low(0.9);
  row.set_availability_high(0.99);
  row.set_outages(100'000);
  row.set_failures(100'000);
  row.set_provisional(true);
  *response.add_rows() = row;
  *response.mutable_total() = row;
  response.add_notes(std::string(100, 'a') + " " + std::string(100, 'b'));
  ExpectFits(RenderAvailability(response, "machine", kUtc));
}

v1::RankingRow Ranked(const std::string& group, std::uint32_t rank, const std::string& name, double hours) {
  v1::RankingRow row;
  row.set_group(group);
  row.set_rank(rank);
  row.set_name(name);
  row.set_first_out_seconds(hours * 3600);
  row.set_alone_seconds(hours / 2 * 3600);
  row.set_present_seconds(hours * 2 * 3600);
  row.set_outages(3);
  row.set_failures(2);
  row.set_share(hours / 40);
  row.set_cumulative_share(hours / 40);
  row.set_machines(2);
  return row;
}

TEST(RenderRankingTest, EachGroupIsATableOfItsOwn) {
  v1::RankFaultsResponse response;
  *response.add_rows() = Ranked("north", 1, "air_supply.pressure_low", 30);
  *response.add_rows() = Ranked("north", 2, "drive.track_obstructed", 10);
  response.mutable_rows(1)->set_order_matters(true);
  *response.add_rows() = Ranked("south", 1, "order not observed", 8);
  response.set_from_us(kNoon - 1440 * kMinute);
  response.set_to_us(kNoon);
  response.set_as_of_us(kNoon);
  response.set_down_seconds(48 * 3600);
  EXPECT_EQ(RenderRanking(response, 0, kUtc),
            "2026-07-31 12:00 to 2026-08-01 12:00 (UTC), as of 2026-08-01 12:00; down 48.0 h\n"
            "\n"
            "north\n"
            "\n"
            "                               first-out  share  together  alone  present  out-  fail-     ma-\n"
            "rank  fault                            h      %         %      h        h  ages   ures  chines  "
            "order\n"
            "------------------------------------------------------------------------------------------------"
            "-------\n"
            "   1  air_supply.pressure_low       30.0  75.00     75.00   15.0     60.0     3      2       2\n"
            "   2  drive.track_obstructed        10.0  25.00     25.00    5.0     20.0     3      2       2  "
            "depends\n"
            "\n"
            "south\n"
            "\n"
            "                          first-out  share  together  alone  present  out-  fail-     ma-\n"
            "rank  fault                       h      %         %      h        h  ages   ures  chines\n"
            "-----------------------------------------------------------------------------------------\n"
            "   1  order not observed        8.0  20.00     20.00    4.0     16.0     3      2       2\n");
  EXPECT_THAT(RenderRanking(response, 1, kUtc), HasSubstr("and 1 more\n"));
  EXPECT_THAT(RenderRanking(response, 1, kUtc), Not(HasSubstr("drive.track_obstructed")));
  EXPECT_THAT(RenderRanking({}, 0, kUtc), HasSubstr("No fault stopped a machine."));
}

TEST(RenderOutagesTest, SaysWhenItBeganAndWhetherItsEndWasSeen) {
  v1::ListOutagesResponse response;
  response.set_total(7);
  v1::OutageRow& open = *response.add_outages();
  open.set_machine("alder/bay-1");
  open.set_began_us(kNoon);
  open.set_restoration_censored(true);
  open.set_first_out_name("air_supply.pressure_low");
  open.set_down_seconds(125 * 60);
  open.set_raw_code("E07");
  v1::OutageRow& lost = *response.add_outages();
  lost = open;
  lost.set_restored_us(kNoon + 40 * kMinute);
  lost.set_found_at_opening(true);
  lost.add_consequential("drive.track_obstructed");
  EXPECT_EQ(RenderOutages(response, kUtc),
            "                                                        down,\n"
            "machine      began             restored              required  first-out fault          raw "
            "code  remarks\n"
            "------------------------------------------------------------------------------------------------"
            "------------------------\n"
            "alder/bay-1  2026-08-01 12:00  not yet             2 h 05 min  air_supply.pressure_low  E07\n"
            "alder/bay-1  2026-08-01 12:00  > 2026-08-01 12:40  2 h 05 min  air_supply.pressure_low  E07"
            "       found at opening; the…\n"
            "\n"
            "2 of 7 outages; times are UTC.\n"
            "> sight was lost then: restored at that time or later\n");
  EXPECT_EQ(RenderOutages({}, kUtc), "No outage.\n");
}

v1::LiveMachine Live(const std::string& name, v1::Condition condition, const std::string& why, int minutes) {
  v1::LiveMachine machine;
  machine.set_machine(name);
  machine.set_condition(condition);
  machine.set_why(why);
  if (minutes > 0) machine.set_since_us(kNoon - minutes * kMinute);
  machine.set_as_of_us(kNoon);
  return machine;
}

TEST(RenderLiveTest, ThoseThatAreDownComeFirst) {
  v1::GetLiveResponse response;
  response.set_as_of_us(kNoon);
  *response.add_machines() = Live("alder/bay-1", v1::CONDITION_UP, "", 0);
  *response.add_machines() =
      Live("alder/bay-2", v1::CONDITION_DOWN, "air_supply.pressure_low since 09:55 (raw E07)", 125);
  *response.add_machines() = Live("birch/bay-1", v1::CONDITION_UNKNOWN, "its agent was never heard", 0);
  response.mutable_machines(2)->set_as_of_us(0);
  response.mutable_machines(0)->set_from_report(true);
  response.mutable_machines(0)->set_as_of_us(kNoon - 3 * kMinute);
  EXPECT_EQ(RenderLive(response, kUtc),
            "machine      condition         for  why                                                 seen\n"
            "--------------------------------------------------------------------------------------------\n"
            "alder/bay-2  down       2 h 05 min  air_supply.pressure_low since 09:55 (raw E07)        now\n"
            "birch/bay-1  unknown                its agent was never heard                          never\n"
            "alder/bay-1  up *                                                                  3 min ago\n"
            "\n"
            "3 machines: 1 down, 1 unknown, 1 up; 2026-08-01 12:00:00 (UTC).\n"
            "* as its agent reports now; the history before is still being delivered.\n");
  EXPECT_EQ(RenderLive({}, kUtc), "No machine.\n");
}

TEST(RenderLiveTest, WhatAControllerSaysCannotStirTheTerminal) {
  v1::GetLiveResponse response;
  *response.add_machines() = Live("alder/bay-1", v1::CONDITION_DOWN, "raw \x1b]0;gone\x07", 1);
  EXPECT_THAT(RenderLive(response, kUtc), HasSubstr("raw ?]0;gone?"));
}

TEST(RenderSitesTest, SaysWhichAgentsAreSilent) {
  v1::ListSitesResponse response;
  v1::SiteRow& site = *response.add_sites();
  site.set_site("alder");
  site.set_name("Alder Lane");
  site.set_region("north");
  site.set_time_zone("Europe/Helsinki");
  site.set_machines(3);
  site.set_machines_down(1);
  site.add_agents()->set_connected(true);
  site.add_agents()->set_backlog_events(1200);
  EXPECT_EQ(RenderSites(response),
            "                                                                                  events to\n"
            "site   name        region  time zone        machines  down  agents                  deliver\n"
            "-------------------------------------------------------------------------------------------\n"
            "alder  Alder Lane  north   Europe/Helsinki         3     1  1 of 2 not connected      1,200\n");
}

TEST(RenderMachinesTest, ShowsWhatIsDeclared) {
  v1::ListMachinesResponse response;
  v1::MachineRow& machine = *response.add_machines();
  machine.set_machine("alder/bay-1");
  machine.set_kind("gantry");
  machine.set_region("north");
  machine.add_depends_on("alder/air");
  EXPECT_EQ(RenderMachines(response),
            "machine      kind    region  agent  depends on\n"
            "----------------------------------------------\n"
            "alder/bay-1  gantry  north   none   alder/air\n");
}

TEST(RenderHeldTest, ShowsReasonsNotPayloads) {
  v1::ListRejectedEventsResponse response;
  v1::HeldEvent& event = *response.add_events();
  event.set_agent("agent-alder");
  event.set_machine("bay-9");
  event.set_sequence(70'000);
  event.set_received_at_us(kNoon);
  event.set_reason("absurd_time");
  event.set_detail("recorded in 1970");
  event.set_payload("xyz");
  response.set_total(12);
  EXPECT_EQ(RenderRejected(response, kUtc),
            "received             agent        machine  sequence  bytes  reason       detail\n"
            "-----------------------------------------------------------------------------------------\n"
            "2026-08-01 12:00:00  agent-alder  bay-9       70000      3  absurd_time  recorded in 1970\n"
            "\n"
            "1 of 12 rejected events; times are UTC.\n");
  EXPECT_EQ(RenderParked({}, kUtc), "No parked event.\n");
}

}  // namespace
}  // namespace bayward::cli
