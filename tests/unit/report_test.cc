#include "server/cli/report/report.h"

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "nlohmann/json.hpp"
#include "proto/common/status.h"
#include "server/cli/report/report_json.h"
#include "tests/support/report_answers.h"

namespace bayward::cli::report {
namespace {

using ::testing::HasSubstr;

void ExpectPeriod(std::string_view text, std::string_view from, std::string_view to, v1::Step step) {
  const auto period = ParsePeriod(text, ReportNow());
  ASSERT_TRUE(period.ok()) << period.status();
  EXPECT_EQ(period->Window().from(), from) << text;
  EXPECT_EQ(period->Window().to(), to) << text;
  EXPECT_EQ(period->step, step) << text;
}

TEST(PeriodTest, MonthQuarterYearAndWeekAreCalendarStretches) {
  ExpectPeriod("2026-08", "2026-08-01", "2026-09-01", v1::STEP_DAY);
  ExpectPeriod("2025-12", "2025-12-01", "2026-01-01", v1::STEP_DAY);
  ExpectPeriod("2026-Q3", "2026-07-01", "2026-10-01", v1::STEP_WEEK);
  ExpectPeriod("2026", "2026-01-01", "2027-01-01", v1::STEP_MONTH);
  ExpectPeriod("2026-W35", "2026-08-24", "2026-08-31", v1::STEP_DAY);
}

TEST(PeriodTest, WeekOneHoldsTheFourthOfJanuary) {
  ExpectPeriod("2026-W01", "2025-12-29", "2026-01-05", v1::STEP_DAY);
  ExpectPeriod("2021-W01", "2021-01-04", "2021-01-11", v1::STEP_DAY);
  ExpectPeriod("2020-W53", "2020-12-28", "2021-01-04", v1::STEP_DAY);
}

TEST(PeriodTest, WhatIsNoPeriodIsRefusedWithTheFormsExpected) {
  for (const char* text : {"", "26", "2026-13", "2026-00", "2026-8", "2026-Q5", "2026-W54", "2021-W53", "2026-W00",
                           "2026/08", "2026-08-01", "0026-08", "2026-", "august"}) {
    const auto period = ParsePeriod(text, ReportNow());
    EXPECT_EQ(period.status().code(), absl::StatusCode::kInvalidArgument) << text;
    EXPECT_THAT(std::string(Message(period.status())), HasSubstr("2026-W35")) << text;
  }
}

TEST(PeriodTest, APeriodStillToComeIsRefusedAndOneUnderWayIsNot) {
  EXPECT_TRUE(ParsePeriod("2026-09", ReportNow()).ok());
  EXPECT_EQ(ParsePeriod("2026-10", ReportNow()).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST(PeriodTest, VerdictsAreThoseOfTheLastMonthInThePeriodThatIsOver) {
  EXPECT_EQ(ParsePeriod("2026-08", ReportNow())->VerdictMonth(ReportNow()), "2026-08");
  EXPECT_EQ(ParsePeriod("2026-Q2", ReportNow())->VerdictMonth(ReportNow()), "2026-06");
  EXPECT_EQ(ParsePeriod("2026-W35", ReportNow())->VerdictMonth(ReportNow()), "2026-07");
  EXPECT_EQ(ParsePeriod("2026-09", ReportNow())->VerdictMonth(ReportNow()), "last");
}

TEST(AskReportTest, EveryQuestionCarriesScopeAndPeriod) {
  const ReportQuestions ask = AskReport(August(), North(), ReportNow());
  EXPECT_EQ(ask.sites.scope().regions(0), "north");
  EXPECT_EQ(ask.ranking.window().from(), "2026-08-01");
  EXPECT_EQ(ask.ranking.window().to(), "2026-09-01");
  EXPECT_EQ(ask.ranking.scope().regions(0), "north");
  EXPECT_TRUE(ask.ranking.with_gain() && ask.ranking.with_window_before() && ask.ranking.with_losses());
  EXPECT_EQ(ask.availability_by_site.grouping(), v1::GROUPING_SITE);
  EXPECT_TRUE(ask.availability_by_site.with_sampling_interval());
  EXPECT_EQ(ask.availability_by_step.step(), v1::STEP_DAY);
  EXPECT_TRUE(ask.comparison.held());
  EXPECT_EQ(ask.trends.month(), "2026-08");
  EXPECT_EQ(ask.forecast.scope().regions(0), "north");
}

TEST(GatherReportTest, EachAnswerStandsInItsPlace) {
  const auto report = GatherReport(August(), North(), ReportNow(), CallsOf(NorthInAugust()));
  ASSERT_TRUE(report.ok());
  EXPECT_TRUE(GapsOf(*report).empty());
  EXPECT_EQ(report->answers.availability_by_site->rows(0).group(), "alder-lane");
  EXPECT_EQ(report->answers.availability_by_machine->rows(0).group(), "alder-lane/bay-1");
  EXPECT_EQ(report->answers.availability_by_step->series(0).period(), "2026-08-01");
  EXPECT_EQ(report->answers.losses->net_size(), 3);
}

TEST(GatherReportTest, AQuestionThatFailsIsAGapWithItsReason) {
  ReportAnswers answers = NorthInAugust();
  answers.losses = Unavailable("the server is starting");
  ReportCalls calls = CallsOf(answers);
  calls.get_alarm_quality = nullptr;
  const auto report = GatherReport(August(), North(), ReportNow(), calls);
  ASSERT_TRUE(report.ok());
  const std::vector<Gap> gaps = GapsOf(*report);
  ASSERT_EQ(gaps.size(), 2U);
  EXPECT_EQ(gaps[0].name, "losses");
  EXPECT_EQ(gaps[0].why, "the server is starting");
  EXPECT_EQ(gaps[1].name, "alarm_quality");
}

TEST(GatherReportTest, AScopeThatCannotBeUsedIsNoReport) {
  ReportAnswers answers = NorthInAugust();
  answers.availability_by_site = NotFound("there is no region \"north\"");
  EXPECT_EQ(GatherReport(August(), North(), ReportNow(), CallsOf(answers)).status().code(),
            absl::StatusCode::kNotFound);
}

TEST(RenderReportJsonTest, AnswersStandUnderTheirNamesAndGapsBeside) {
  Report report = NorthReport();
  report.answers.losses = Unavailable("not \"now\"");
  const nlohmann::json json = nlohmann::json::parse(RenderReportJson(report));
  EXPECT_EQ(json["period"]["from"], "2026-08-01");
  EXPECT_EQ(json["period"]["to"], "2026-09-01");
  EXPECT_EQ(json["scope"]["regions"][0], "north");
  EXPECT_EQ(json["answers"]["ranking"]["rows"][0]["name"], "air_supply.pressure_low");
  EXPECT_EQ(json["answers"]["mean_cumulative"]["steps"].size(), 31U);
  EXPECT_FALSE(json["answers"].contains("losses"));
  EXPECT_EQ(json["missing"]["losses"], "not \"now\"");
}

}  // namespace
}  // namespace bayward::cli::report
