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
constexpr std::int64_t kDay = 86'400'000'000;
const TimeText kUtc{absl::UTCTimeZone()};

void Set(double value, double lower, double upper, v1::Estimate& estimate) {
  estimate.set_value(value);
  estimate.set_lower(lower);
  estimate.set_upper(upper);
}

v1::EstimateLossesResponse Response() {
  v1::EstimateLossesResponse response;
  response.set_from_us(kNoon - 30 * kDay);
  response.set_to_us(kNoon);
  response.set_as_of_us(kNoon);
  response.set_confidence(0.9);
  v1::GrossLossRow& bay = *response.add_gross();
  bay.set_group("alder/bay-1");
  bay.set_machines(1);
  bay.set_down_hours(6);
  Set(18, 11, 26, *bay.mutable_down_washes());
  Set(180, 110, 260, *bay.mutable_down_money());
  Set(0, 0, 0, *bay.mutable_withheld_washes());
  Set(0, 0, 0, *bay.mutable_withheld_money());
  bay.set_currency("EUR");
  v1::GrossLossRow& other = *response.add_gross();
  other = bay;
  other.set_group("birch/bay-1");
  other.set_withheld_hours(2.5);
  Set(7.5, 3, 13, *other.mutable_withheld_washes());
  other.clear_currency();
  v1::NetLossRow& alder = *response.add_net();
  alder.set_site("alder");
  alder.set_expected(338);
  alder.set_observed(324);
  Set(14, -10.5, 38, *alder.mutable_washes());
  Set(140, -105, 380, *alder.mutable_money());
  alder.set_down_washes(14);
  alder.set_currency("EUR");
  v1::NetLossRow& birch = *response.add_net();
  birch = alder;
  birch.set_site("birch");
  birch.set_observed(350);
  Set(-12, -36, 12, *birch.mutable_washes());
  Set(-120, -360, 120, *birch.mutable_money());
  birch.set_down_washes(-12);
  v1::LossNowRow& now = *response.add_now();
  now.set_machine("birch/bay-2");
  now.set_condition("down");
  now.set_since_us(kNoon - kDay);
  Set(3, 2.2, 4, *now.mutable_washes_per_hour());
  Set(30, 22, 40, *now.mutable_money_per_hour());
  now.set_currency("EUR");
  response.add_notes("An agreement.");
  return response;
}

TEST(RenderLossesTest, GrossNetAndNow) {
  EXPECT_EQ(RenderLosses(Response(), "machine", kUtc),
            "2026-07-02 12:00 to 2026-08-01 12:00 (UTC), as of 2026-08-01 12:00\n"
            "\n"
            "Gross: what would have started on the machines meanwhile\n"
            "\n"
            "                ma-  down  washes         90 %           withheld  washes        90 %\n"
            "machine      chines     h    lost       limits    money         h    lost      limits  money\n"
            "--------------------------------------------------------------------------------------------\n"
            "alder/bay-1       1   6.0    18.0  11.0 - 26.0  180 EUR         0     0.0   0.0 - 0.0  0 EUR\n"
            "birch/bay-1       1   6.0    18.0  11.0 - 26.0                2.5     7.5  3.0 - 13.0\n"
            "\n"
            "Net: what sites washed less than expected, with the 48 h after each loss\n"
            "\n"
            "           washes                       90 %  of them  with-                  90 %\n"
            "site     expected  seen  lost         limits     down   held    money       limits\n"
            "----------------------------------------------------------------------------------\n"
            "alder       338.0   324  14.0  -10.5 to 38.0     14.0    0.0  140 EUR  -105 to 380\n"
            "birch +     338.0   350   0.0  -36.0 to 12.0      0.0    0.0    0 EUR  -360 to 120\n"
            "+ washed more than expected: nothing lost that can be told\n"
            "\n"
            "Lost now, in this hour of the week\n"
            "\n"
            "                                      washes       90 %     money         90 %\n"
            "machine      now   since             an hour     limits   an hour       limits\n"
            "------------------------------------------------------------------------------\n"
            "birch/bay-2  down  2026-07-31 12:00      3.0  2.2 - 4.0  30.0 EUR  22.0 - 40.0\n"
            "\n"
            "  * An agreement.\n");
}

TEST(RenderLossesTest, WhatIsNotKnownIsNamed) {
  v1::EstimateLossesResponse response = Response();
  response.clear_gross();
  response.clear_net();
  response.clear_now();
  v1::DemandNotKnown& row = *response.add_not_known();
  row.set_region("south");
  row.set_machines(3);
  row.set_reason("until 2026-08-24: too few to say");
  const std::string text = RenderLosses(response, "machine", kUtc);
  EXPECT_THAT(text, HasSubstr("No losses can be told.\n\n"
                              "Not known: 3 machines of south, until 2026-08-24: too few to say\n\n"
                              "  * An agreement.\n"));
  EXPECT_THAT(text, Not(HasSubstr("Net")));
}

TEST(RenderLossesTest, TheBacktestIsASentence) {
  v1::EstimateLossesResponse response = Response();
  response.mutable_backtest()->set_blocks(0);
  EXPECT_THAT(RenderLosses(response, "machine", kUtc), HasSubstr("Backtest: no up time that could be hidden"));
  v1::LossBacktest& backtest = *response.mutable_backtest();
  backtest.set_blocks(1120);
  backtest.set_coverage(0.885);
  backtest.set_above(100);
  backtest.set_below(29);
  backtest.set_bias(-0.021);
  backtest.set_verdict("the intervals hold on hidden up time");
  EXPECT_THAT(RenderLosses(response, "machine", kUtc),
              HasSubstr("\nBacktest: of 1,120 stretches of up time hidden from the estimate, 88 % had their washes "
                        "within the 90 % limits, 100 lay\n          above and 29 below; in all 2.1 % too few were "
                        "foretold: the intervals hold on hidden up time.\n"));
}

TEST(RenderLossesTest, FitsATerminal) {
  v1::EstimateLossesResponse response = Response();
  response.mutable_gross(0)->set_group(std::string(60, 'x') + "/" + std::string(60, 'y'));
  Set(123456.7, 100000.1, 200000.2, *response.mutable_gross(0)->mutable_down_washes());
  Set(1234567, 1e6, 2e6, *response.mutable_gross(0)->mutable_down_money());
  for (const auto& line : absl::StrSplit(RenderLosses(response, "machine", kUtc), '\n')) {
    EXPECT_LE(DisplayWidth({line.data(), line.size()}), kTableWidthMax) << line;
  }
}

}  // namespace
}  // namespace bayward::cli
