// How the client shows the service that customers met and the quality of alarms.
#include "absl/strings/str_split.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

constexpr std::int64_t kNoon = 1785585600000000;  // 2026-08-01T12:00:00Z
const TimeText kUtc{absl::UTCTimeZone()};

void ExpectFits(const std::string& text) {
  for (const auto& line : absl::StrSplit(text, '\n')) {
    EXPECT_LE(DisplayWidth({line.data(), line.size()}), kTableWidthMax) << line;
  }
}

v1::ServiceMetRow MetRow(const std::string& group, double up, double degraded, double down) {
  v1::ServiceMetRow row;
  row.set_group(group);
  row.set_machines(1);
  row.set_up_hours(up);
  row.set_degraded_hours(degraded);
  row.set_down_hours(down);
  if (up + degraded + down > 0) row.set_full_service(up / (up + degraded + down));
  return row;
}

void AddCapability(v1::Capability number, const std::string& name, double available, v1::ServiceMetRow& row) {
  v1::CapabilityRow& capability = *row.add_capabilities();
  capability.set_capability(number);
  capability.set_name(name);
  capability.set_available(available);
}

TEST(RenderServiceMetTest, ShowsWhatWasThere) {
  v1::GetServiceMetResponse response;
  response.set_from_us(kNoon);
  response.set_to_us(kNoon + 86'400'000'000);
  response.set_as_of_us(kNoon + 86'400'000'000);
  *response.add_rows() = MetRow("alder/bay-1", 1200.5, 30, 9.5);
  AddCapability(v1::CAPABILITY_WASH, "wash", 0.9923, *response.mutable_rows(0));
  AddCapability(v1::CAPABILITY_HIGH_PRESSURE, "high_pressure", 0.95, *response.mutable_rows(0));
  *response.add_rows() = MetRow("alder/lane", 0, 0, 0);
  *response.mutable_total() = MetRow("total", 1200.5, 30, 9.5);
  *response.mutable_total()->mutable_capabilities() = response.rows(0).capabilities();
  v1::SiteBaysRow& site = *response.add_sites();
  site.set_site("alder");
  site.set_bays(2);
  site.set_observed_hours(700);
  site.set_any_bay(1);
  v1::NotDeliverableRow& sold = *response.add_sold_not_deliverable();
  sold.set_site("alder");
  sold.set_programme("full \x1b[2J");
  sold.set_capability("dry");
  sold.set_washes(1234);
  response.add_notes("A note.");
  const std::string text = RenderServiceMet(response, "machine", kUtc);
  EXPECT_THAT(text, HasSubstr("1,200.5"));
  EXPECT_THAT(text, HasSubstr("96.81"));  // 1200.5 of 1240
  EXPECT_THAT(text, HasSubstr("99.23"));
  EXPECT_THAT(text, HasSubstr("pressure"));
  EXPECT_THAT(text, HasSubstr("not known"));  // the lane, and all bays
  EXPECT_THAT(text, HasSubstr("Sold though not deliverable"));
  EXPECT_THAT(text, HasSubstr("1,234"));
  EXPECT_THAT(text, HasSubstr("A note."));
  EXPECT_THAT(text, Not(HasSubstr("\x1b")));
  ExpectFits(text);
}

TEST(RenderServiceMetTest, LeavesOutTablesWithoutRows) {
  v1::GetServiceMetResponse response;
  *response.mutable_total() = MetRow("total", 0, 0, 0);
  const std::string text = RenderServiceMet(response, "machine", kUtc);
  EXPECT_THAT(text, Not(HasSubstr("Sold though")));
  EXPECT_THAT(text, Not(HasSubstr("Bays of each site")));
  EXPECT_THAT(text, Not(HasSubstr("in which it was there")));
}

TEST(RenderAlarmQualityTest, ShowsEachMetricBesideItsBenchmark) {
  v1::GetAlarmQualityResponse response;
  v1::DeskRow& desk = *response.add_desks();
  desk.set_desk("north");
  desk.set_alarms(5400);
  desk.set_days(30);
  desk.mutable_per_day()->set_rate(180);
  desk.mutable_per_day()->set_target(150);
  desk.mutable_per_day()->set_manageable(300);
  desk.mutable_per_day()->set_verdict("above the target, manageable");
  desk.set_periods(4320);
  desk.set_periods_above(108);
  desk.set_stale_peak(7);
  for (const double share : {0.1, 0.3, 0.6}) desk.add_priority_shares(share);
  v1::AlarmCountRow& top = *desk.add_top();
  top.set_machine("alder/bay-1");
  top.set_name("drive.travel_timeout");
  top.set_count(321);
  desk.add_cautions("only 3 different alarms");
  for (int i = 0; i < 3; ++i) {
    v1::RaiseRateRow& rate = *response.add_raise_rates();
    rate.set_machine("alder/bay-" + std::to_string(i + 1));
    rate.set_raises(static_cast<std::uint32_t>(900 - i));
    rate.set_per_day(30 - i / 10.0);
  }
  const std::string text = RenderAlarmQuality(response, 2, kUtc);
  EXPECT_THAT(text, HasSubstr("Desk north: 5,400 alarms in 30.0 days"));
  EXPECT_THAT(text, HasSubstr("150, at most 300"));
  EXPECT_THAT(text, HasSubstr("above the target, manageable"));
  EXPECT_THAT(text, HasSubstr("2.5 %"));
  EXPECT_THAT(text, HasSubstr("10 / 30 / 60 %"));
  EXPECT_THAT(text, HasSubstr("caution: only 3 different alarms"));
  EXPECT_THAT(text, HasSubstr("alder/bay-2"));
  EXPECT_THAT(text, Not(HasSubstr("alder/bay-3")));
  EXPECT_THAT(text, HasSubstr("and 1 more"));
  EXPECT_THAT(RenderAlarmQuality(response, 0, kUtc), HasSubstr("alder/bay-3"));
  ExpectFits(text);
}

}  // namespace
}  // namespace bayward::cli
