#include "absl/strings/str_split.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

const TimeText kUtc{absl::UTCTimeZone()};
constexpr double kLarge = 999'999;

void ExpectFits(const std::string& text) {
  for (const auto& line : absl::StrSplit(text, '\n')) {
    EXPECT_LE(DisplayWidth({line.data(), line.size()}), kTableWidthMax) << line;
  }
}

v1::ReliabilityRow Row(const std::string& group) {
  v1::ReliabilityRow row;
  row.set_group(group);
  row.set_machines(2);
  row.set_failures(4);
  row.set_up_hours(1400);
  row.set_mtbf_hours(350);
  row.set_mtbf_lower_hours(152.9);
  row.set_mtbf_upper_hours(1024.7);
  row.set_rate(2.857);
  row.set_rate_lower(0.98);
  row.set_rate_upper(6.54);
  row.set_cycles_completed(5200);
  row.set_cycles_between(1300);
  row.set_cycles_between_lower(568);
  row.set_cycles_between_upper(3806);
  row.set_dispersion_weeks(4);
  row.set_dispersion_words("too few weeks to say whether failures come in clusters");
  return row;
}

TEST(RenderReliabilityTest, LimitsAreNamedAndAbsentOnesAreNotMadeUp) {
  v1::GetReliabilityResponse response;
  response.set_confidence(0.9);
  *response.add_rows() = Row("alder");
  v1::ReliabilityRow& birch = *response.add_rows();
  birch.set_group("birch");
  birch.set_machines(1);
  birch.set_up_hours(700);
  birch.set_mtbf_lower_hours(304);
  birch.set_unknown_hours(20);
  *response.mutable_total() = Row("total");
  const std::string text = RenderReliability(response, "site", kUtc);
  EXPECT_THAT(text, HasSubstr("90 % limits"));
  EXPECT_THAT(text, HasSubstr("152.9 - 1,024.7"));
  EXPECT_THAT(text, HasSubstr("over 304.0"));
  EXPECT_THAT(text, HasSubstr("568 - 3,806"));
  EXPECT_THAT(text, Not(HasSubstr("wider")));  // no row was widened
  response.mutable_rows(0)->set_mtbf_widened_lower_hours(100);
  response.mutable_rows(0)->set_mtbf_widened_upper_hours(2000);
  EXPECT_THAT(RenderReliability(response, "site", kUtc), HasSubstr("100.0 - 2,000.0"));
}

TEST(RenderReliabilityTest, TheWidestFleetFits) {
  v1::GetReliabilityResponse response;
  response.set_confidence(0.95);
  v1::ReliabilityRow row = Row(std::string(60, 'w') + "/" + std::string(40, 'b'));
  row.set_up_hours(kLarge * 20);
  row.set_unknown_hours(kLarge);
  row.set_mtbf_widened_lower_hours(kLarge);
  row.set_mtbf_widened_upper_hours(kLarge);
  row.set_mtbf_known_low_hours(kLarge);
  row.set_mtbf_known_high_hours(kLarge);
  row.set_dispersion(12.34);
  row.set_provisional(true);
  *response.add_rows() = row;
  *response.mutable_total() = row;
  ExpectFits(RenderReliability(response, "machine", kUtc));
}

v1::GetMeanCumulativeResponse Curve(int steps) {
  v1::GetMeanCumulativeResponse response;
  response.set_age_unit("wash starts");
  response.set_axis_reason("99.0 % of the washes were seen, at least 95 % needed");
  response.set_machines(5);
  response.set_failures(static_cast<std::uint32_t>(steps));
  response.set_until_age(10.0 * steps);
  response.set_confidence(0.95);
  for (int i = 1; i <= steps; ++i) {
    v1::MeanCumulativeRow& step = *response.add_steps();
    step.set_age(10 * i - 0.5);
    step.set_at_risk(5);
    step.set_failures(1);
    step.set_mean(0.2 * i);
    if (i > 1) {
      step.set_lower(0.1 * i);
      step.set_upper(0.4 * i);
    }
  }
  return response;
}

TEST(RenderMeanCumulativeTest, APlotAndAtMostTwentyAges) {
  const std::string text = RenderMeanCumulative(Curve(100), kUtc);
  EXPECT_THAT(text, HasSubstr("100 failures of 5 machines by age in wash starts: 99.0 % of the washes were seen"));
  EXPECT_THAT(text, HasSubstr("   20.00 |"));
  EXPECT_THAT(text, HasSubstr("20 of 100 ages"));
  EXPECT_THAT(text, HasSubstr("999.5"));
  EXPECT_THAT(text, HasSubstr("10.00 - 40.00"));
  ExpectFits(text);
  // The curve climbs: a star in the first line at its right end, one in the last at its left.
  const std::vector<std::string> lines = absl::StrSplit(text, '\n');
  const auto top =
      std::find_if(lines.begin(), lines.end(), [](const std::string& l) { return l.starts_with("   20.00 |"); });
  ASSERT_NE(top, lines.end());
  EXPECT_EQ(top->size(), 10u + 60u);
  EXPECT_EQ((top + 11)->substr(0, 11), "         |*");
}

TEST(RenderMeanCumulativeTest, OneStepAndNone) {
  EXPECT_THAT(RenderMeanCumulative(Curve(1), kUtc), HasSubstr("0.20"));
  EXPECT_THAT(RenderMeanCumulative(Curve(0), kUtc), HasSubstr("No failure was seen."));
}

TEST(RenderRestorationTest, EachClockHasItsName) {
  v1::GetRestorationResponse response;
  response.set_begun(3);
  response.set_restored(3);
  response.set_median_hours(5);
  response.set_mean_hours(6);
  response.set_mean_down_seconds(3600);
  EXPECT_THAT(RenderRestoration(response, kUtc), Not(HasSubstr("Covered clock")));
  response.set_covered_mean_hours(3);
  response.set_covered_median_hours(2);
  const std::string text = RenderRestoration(response, kUtc);
  EXPECT_THAT(text, HasSubstr("Elapsed clock\n  half are restored within            5 h 00 min\n"));
  EXPECT_THAT(text,
              HasSubstr("Covered clock, hours that the contract covers\n  half are restored within            2 h"));
  EXPECT_THAT(text, HasSubstr("  90 % are restored within            not reached\n"));
  EXPECT_THAT(text, HasSubstr("Required clock, those restored in the window\n  mean down time"));
}

TEST(RenderTrendsTest, SaysOnWhichAxisAndShowsTheLaws) {
  v1::JudgeTrendsResponse response;
  response.set_level(0.05);
  v1::TrendRow& row = *response.add_machines();
  row.set_machine("alder/bay-1");
  row.set_verdict("worsening");
  row.set_exposure(12'000);
  row.set_exposure_unit("wash starts");
  response.mutable_fleet()->set_machine("fleet");
  response.mutable_fleet()->set_exposure(700);
  response.mutable_fleet()->set_exposure_unit("up hours");
  std::string text = RenderTrends(response, kUtc);
  EXPECT_THAT(text, HasSubstr("12,000 washes"));
  EXPECT_THAT(text, HasSubstr("700.0 h"));
  EXPECT_THAT(text, Not(HasSubstr("power law")));
  row.set_power_law_beta(1.8);
  row.set_power_law_beta_lower(1.1);
  row.set_power_law_beta_upper(2.6);
  text = RenderTrends(response, kUtc);
  EXPECT_THAT(text, HasSubstr("since commissioning, 90 % limits"));
  EXPECT_THAT(text, HasSubstr("1.80 (1.10 to 2.60)"));
}

TEST(RenderAvailabilityTest, SamplingAndDecisionsOnlyWhereThereAreAny) {
  v1::GetAvailabilityResponse response;
  v1::AvailabilityRow& row = *response.add_rows();
  row.set_group("alder");
  row.set_availability(0.97);
  EXPECT_THAT(RenderAvailability(response, "site", kUtc), Not(HasSubstr("chance")));
  row.set_sampling_low(0.951);
  row.set_sampling_high(0.982);
  row.set_sampled_over("weeks");
  row.set_settled_down_seconds(7200);
  row.set_availability_without_settlements(0.98);
  *response.mutable_total() = row;
  const std::string text = RenderAvailability(response, "site", kUtc);
  EXPECT_THAT(text, HasSubstr("95.10 - 98.20  weeks"));
  EXPECT_THAT(text, HasSubstr("Unknown time that people settled"));
  EXPECT_THAT(text, HasSubstr("98.00"));
}

}  // namespace
}  // namespace bayward::cli
