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
constexpr std::int64_t kHour = 3'600'000'000;
const TimeText kUtc{absl::UTCTimeZone()};

void ExpectFits(const std::string& text) {
  for (const auto& line : absl::StrSplit(text, '\n')) {
    EXPECT_LE(DisplayWidth({line.data(), line.size()}), kTableWidthMax) << line;
  }
}

v1::ListCycleDriftResponse Drift() {
  v1::ListCycleDriftResponse response;
  response.set_machines(12);
  response.set_slower(1);
  response.set_learning(3);
  response.set_as_of_us(kNoon);
  v1::CycleDriftRow& slower = *response.add_rows();
  slower.set_machine("alder/bay-1");
  slower.set_state("slower");
  slower.set_slower_since_us(kNoon - 200 * kHour);
  slower.set_confirmed_us(kNoon - 100 * kHour);
  slower.set_shift_seconds(12.54);
  slower.set_shift_percent(4.18);
  slower.set_baseline_washes(431);
  slower.set_baseline_from_us(kNoon - 2000 * kHour);
  slower.set_scored(1204);
  slower.set_skipped(17);
  v1::CycleDriftRow& learning = *response.add_rows();
  learning.set_machine("birch/bay-2");
  learning.set_state("learning anew after upkeep");
  learning.set_baseline_washes(90);
  learning.set_sentence(
      "reset by maintenance at 2026-07-30 10:00, learning its wash times anew: 90 of at least 300 washes");
  response.add_notes("A limit.");
  return response;
}

TEST(RenderCycleDriftTest, SaysSinceWhenAndByHowMuch) {
  const std::string text = RenderCycleDrift(Drift(), kUtc);
  ExpectFits(text);
  EXPECT_THAT(text,
              HasSubstr("as of 2026-08-01 12:00 (UTC)\n\n12 machines that wash: 1 slower, 8 steady, 3 learning"));
  EXPECT_THAT(text, HasSubstr("alder/bay-1  slower"));
  EXPECT_THAT(text, HasSubstr("2026-07-24 04:00  2026-07-28 08:00  12.5  4.2"));
  EXPECT_THAT(text, HasSubstr("birch/bay-2: reset by maintenance at 2026-07-30 10:00"));
  EXPECT_THAT(text, HasSubstr("  * A limit.\n"));
}

TEST(RenderCycleDriftTest, WithoutRowsTheCountsStand) {
  v1::ListCycleDriftResponse response;
  response.set_machines(2);
  response.set_as_of_us(kNoon);
  EXPECT_EQ(RenderCycleDrift(response, kUtc),
            "as of 2026-08-01 12:00 (UTC)\n\n"
            "2 machines that wash: 0 slower, 2 steady, 0 learning their usual wash times\n\n");
}

v1::ListSilentStopsResponse Silent() {
  v1::ListSilentStopsResponse response;
  response.set_watched(40);
  response.set_machine_hours_per_week(3640);
  response.set_as_of_us(kNoon);
  v1::SilentStopRow& row = *response.add_rows();
  row.set_machine("alder/bay-1");
  row.set_last_wash_us(kNoon - 9 * kHour);
  row.set_silent_hours(7.5);
  row.set_probability(2e-6);
  row.set_chance_per_week(0.00728);
  row.set_expected_washes(13.1);
  row.set_expected_money(157.2);
  row.set_currency("EUR");
  v1::SilentStopRow& other = *response.add_rows();
  other.set_machine("birch/bay-2");
  other.set_probability(1e-12);
  other.set_chance_per_week(3.6e-9);
  other.set_silent_hours(30);
  other.set_expected_washes(27);
  return response;
}

TEST(RenderSilentStopsTest, MoneyWhereThereIsAPrice) {
  const std::string text = RenderSilentStops(Silent(), kUtc);
  ExpectFits(text);
  EXPECT_THAT(text, HasSubstr("40 machines watched that are up now, 3,640.0 up hours a week"));
  EXPECT_THAT(text, HasSubstr("alder/bay-1  2026-08-01 03:00"));
  EXPECT_THAT(text, HasSubstr("157.20  EUR"));
  EXPECT_THAT(text, HasSubstr("2e-06"));
  EXPECT_THAT(text, HasSubstr("0.007"));
  EXPECT_THAT(text, HasSubstr("birch/bay-2  none known"));
  EXPECT_THAT(text, HasSubstr("no price"));
  EXPECT_THAT(text, HasSubstr("< 1e-09"));
}

TEST(RenderSilentStopsTest, NoneIsSaid) {
  v1::ListSilentStopsResponse response;
  response.set_as_of_us(kNoon);
  EXPECT_THAT(RenderSilentStops(response, kUtc), HasSubstr("None has been silent for longer than chance explains."));
}

v1::ForecastOutagesResponse Forecast() {
  v1::ForecastOutagesResponse response;
  response.set_days(14);
  response.set_as_of_us(kNoon);
  v1::ForecastRow& row = *response.add_rows();
  row.set_machine("alder/bay-1");
  row.set_mean(1.234);
  row.set_probability_of_none(0.32);
  row.set_count_low(0);
  row.set_count_high(3);
  for (const double p : {0.32, 0.33, 0.2, 0.15}) row.add_probability(p);
  row.set_up_hours_foreseen(180);
  row.set_condition_now(
      "down: drive.track_obstructed since 2026-08-01 09:12 (raw E07); closed for upkeep since 2026-08-01 10:30");
  v1::ForecastRow& unknown = *response.add_rows();
  unknown.set_machine("birch/lane");
  unknown.set_condition_now("unknown: its agent was never heard");
  v1::ForecastScore& gantry = *response.add_scores();
  gantry.set_kind("gantry");
  gantry.set_origins(22);
  gantry.set_forecasts(880);
  gantry.set_log_used(1.214);
  gantry.set_log_own(1.252);
  gantry.set_log_pooled(1.3);
  gantry.set_ranked_used(0.4);
  gantry.set_ranked_own(0.41);
  gantry.set_ranked_pooled(0.45);
  gantry.mutable_against_own()->set_value(-0.038);
  gantry.mutable_against_own()->set_lower(-0.06);
  gantry.mutable_against_own()->set_upper(-0.016);
  gantry.mutable_against_pooled()->set_value(0.012);
  gantry.mutable_against_pooled()->set_lower(-0.01);
  gantry.mutable_against_pooled()->set_upper(0.03);
  for (int j = 0; j < 10; ++j) gantry.add_pit(j == 9 ? 0.2 : 0.8 / 9);
  gantry.set_verdict("no better than a plain average so far");
  v1::ForecastScore& tunnel = *response.add_scores();
  tunnel.set_kind("tunnel");
  tunnel.set_too_few(true);
  tunnel.set_verdict("too few to say");
  return response;
}

TEST(RenderForecastTest, MachinesScoresAndTheTransform) {
  const std::string text = RenderForecast(Forecast(), 0, kUtc);
  ExpectFits(text);
  EXPECT_THAT(text, HasSubstr("outages in the next 14 days, as of 2026-08-01 12:00 (UTC)"));
  EXPECT_THAT(text, HasSubstr("alder/bay-1       1.23    0 - 3    32   33      35     180.0  down: drive.track"));
  EXPECT_THAT(text, HasSubstr("not known"));
  EXPECT_THAT(text, HasSubstr("-0.038 (-0.060 to -0.016)"));
  EXPECT_THAT(text, HasSubstr("+0.012 (-0.010 to +0.030)"));
  EXPECT_THAT(text, HasSubstr("gantry: no better than a plain average so far; ranked score 0.400 in use"));
  EXPECT_THAT(text, HasSubstr("tunnel: too few to say.\n"));
  EXPECT_THAT(text, HasSubstr("   90 - 100 %   20.0 %  ##############################\n"));
  EXPECT_THAT(text, HasSubstr("    0 -  10 %    8.9 %  #############\n"));
}

TEST(RenderForecastTest, TheRestIsCounted) {
  const std::string text = RenderForecast(Forecast(), 1, kUtc);
  EXPECT_THAT(text, HasSubstr("and 1 more\n"));
  EXPECT_THAT(text, Not(HasSubstr("birch/lane")));
}

TEST(RenderForecastTest, NobodyInService) {
  v1::ForecastOutagesResponse response;
  response.set_days(14);
  EXPECT_THAT(RenderForecast(response, 0, kUtc), HasSubstr("No machine in this scope is in service."));
}

}  // namespace
}  // namespace bayward::cli
