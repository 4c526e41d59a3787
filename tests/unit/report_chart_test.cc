#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/cli/report/svg_axis.h"
#include "server/cli/report/svg_chart.h"

namespace bayward::cli::report {
namespace {

using ::testing::DoubleNear;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

std::size_t CountOf(const std::string& text, const std::string& what) {
  std::size_t count = 0;
  for (std::size_t at = 0; (at = text.find(what, at)) != std::string::npos; at += what.size()) ++count;
  return count;
}

TEST(TicksTest, StandAtRoundValuesAndAreFewEnough) {
  EXPECT_THAT(Ticks(0, 1, 6), ElementsAre(0, DoubleNear(0.2, 1e-12), DoubleNear(0.4, 1e-12), DoubleNear(0.6, 1e-12),
                                          DoubleNear(0.8, 1e-12), 1));
  EXPECT_THAT(Ticks(0, 478, 10), ElementsAre(0, 50, 100, 150, 200, 250, 300, 350, 400, 450));
  for (const double to : {1e-4, 0.37, 1.0, 17.0, 99.5, 123456.0}) {
    const std::vector<double> ticks = Ticks(0, to, 6);
    EXPECT_LE(ticks.size(), 6U) << to;
    EXPECT_GE(ticks.size(), 3U) << to;
    EXPECT_LE(ticks.back(), to * (1 + 1e-9)) << to;
    EXPECT_FALSE(std::signbit(ticks.front())) << to;
  }
}

TEST(TicksTest, HoursAreCountedAsPeopleCountThem) {
  EXPECT_THAT(HourTicks(24, 12), ElementsAre(0, 3, 6, 9, 12, 15, 18, 21, 24));
  EXPECT_THAT(HourTicks(336, 8), ElementsAre(0, 48, 96, 144, 192, 240, 288, 336));
  EXPECT_EQ(HourTicks(0.5, 12).size(), 7U);
}

TEST(TickTextTest, HasTheDecimalsItsDistanceNeeds) {
  EXPECT_EQ(TickText(1500, {0, 500, 1000, 1500}), "1,500");
  EXPECT_EQ(TickText(0.5, {0, 0.5, 1}), "0.5");
  EXPECT_EQ(TickText(0.25, {0, 0.25, 0.5}), "0.25");
  EXPECT_EQ(TickText(0, {0, 0.002}), "0.000");
}

TEST(FittingLabelsTest, KeepClearOfEachOtherAndTheEdges) {
  std::vector<double> centres;
  std::vector<std::string> labels;
  for (int day = 0; day < 31; ++day) {
    centres.push_back(60 + 20.0 * day);
    labels.push_back("2026-08-01");
  }
  const std::vector<std::size_t> fitting = FittingLabels(centres, labels, 40, 690);
  ASSERT_GE(fitting.size(), 5U);
  for (std::size_t i = 1; i < fitting.size(); ++i) {
    EXPECT_GT(centres[fitting[i]] - centres[fitting[i - 1]], TextWidth(labels[0]));
  }
  EXPECT_GE(centres[fitting.front()] - TextWidth(labels[0]) / 2, 40);
  EXPECT_LE(centres[fitting.back()] + TextWidth(labels[0]) / 2, 690);
}

TEST(ShareFloorTest, LeavesTheShortestBarToBeSeen) {
  EXPECT_EQ(ShareFloor(0.996), 0.99);
  EXPECT_EQ(ShareFloor(0.9514), 0.9);
  EXPECT_EQ(ShareFloor(0.3), 0);
}

TEST(DrawChartTest, HasTitleAndDescriptionAndIsNamedByThem) {
  const std::string svg = DrawChart(ParetoChart{{{"a", 0.7, 0.7, "7 h"}, {"<b>", 0.3, 1, "3 h"}}}, "x", "T & T", "D");
  EXPECT_THAT(svg, HasSubstr("aria-labelledby=\"x-title x-desc\""));
  EXPECT_THAT(svg, HasSubstr("<title id=\"x-title\">T &amp; T</title><desc id=\"x-desc\">D</desc>"));
  EXPECT_THAT(svg, HasSubstr("&lt;b&gt;"));
  EXPECT_EQ(CountOf(svg, "<circle"), 2U);
}

TEST(DrawChartTest, ADayWithNothingKnownIsHatchedAndBreaksTheLine) {
  PeriodChart chart{{{"d1", 0.98, 0.98, 0.98},
                     {"d2", 0.97, 0.97, 0.97},
                     {"d3", std::nullopt, 0, 1},
                     {"d4", 0.99, 0.95, 0.99},
                     {"d5", 0.98, 0.98, 0.98}},
                    0.97};
  const std::string svg = DrawChart(chart, "x", "T", "D");
  EXPECT_EQ(CountOf(svg, "<path"), 2U);
  EXPECT_EQ(CountOf(svg, "fill=\"url(#x-hatch)\""), 1U);
  EXPECT_EQ(CountOf(svg, "stroke-dasharray=\"8 4\""), 1U);  // the target
  chart.items[2].value = 0.98;
  EXPECT_EQ(CountOf(DrawChart(chart, "x", "T", "D"), "<path"), 1U);
}

TEST(DrawChartTest, ACurveHasLimitsOnlyWhereThereAreAnyAndEndsAtTheAxis) {
  StepChart chart{
      {{0, 1, std::nullopt, std::nullopt}, {1, 0.5, 0.3, 0.7}, {50, 0.2, 0.1, 0.4}}, 24, true, true, "h", "%"};
  const std::string svg = DrawChart(chart, "x", "T", "D");
  EXPECT_EQ(CountOf(svg, "stroke-dasharray=\"3 3\""), 2U);
  EXPECT_THAT(svg, HasSubstr("L706.0 "));  // to the edge
  EXPECT_THAT(svg, Not(HasSubstr("L707")));
  EXPECT_THAT(svg, Not(HasSubstr("nan")));
}

TEST(DrawChartTest, ChartsOfNothingAreStillCharts) {
  for (const Chart& chart : {Chart(ParetoChart()), Chart(PeriodChart()), Chart(StepChart())}) {
    const std::string svg = DrawChart(chart, "x", "T", "D");
    EXPECT_THAT(svg, HasSubstr("</svg>"));
    EXPECT_THAT(svg, Not(HasSubstr("nan")));
    EXPECT_THAT(svg, Not(HasSubstr("inf")));
  }
}

TEST(DrawBarTest, ShowsReachedOpenAndTarget) {
  const std::string bar = DrawBar({0.95, 0.975, 0.96}, 0.9);
  EXPECT_THAT(bar, HasSubstr("aria-hidden=\"true\""));
  EXPECT_THAT(bar, HasSubstr("url(#bar-open)"));
  EXPECT_EQ(CountOf(bar, "<line"), 2U);
  EXPECT_THAT(DrawBar({0.95, 0.95, std::nullopt}, 0.9), Not(HasSubstr("url(#bar-open)")));
}

}  // namespace
}  // namespace bayward::cli::report
