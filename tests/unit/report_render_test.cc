#include <set>

#include "absl/strings/str_split.h"
#include "fmt/format.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/cli/report/compose.h"
#include "server/cli/report/report_csv.h"
#include "server/cli/report/report_html.h"
#include "server/cli/report/report_text.h"
#include "server/cli/table.h"
#include "tests/support/report_answers.h"

namespace bayward::cli::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

constexpr const char* kHostile = "=<script>&\"'\x1b[31m,+1";

Document Composed(const Report& report) { return ComposeReport(report, absl::UTCTimeZone()); }
std::string TextOf(const Report& report) { return RenderReportText(Composed(report)); }
std::string HtmlOf(const Report& report) { return RenderReportHtml(Composed(report)); }
std::string CsvOf(const Report& report) { return RenderReportCsv(Composed(report)); }

void ExpectFits(const std::string& text) {
  for (const auto& line : absl::StrSplit(text, '\n')) {
    EXPECT_LE(DisplayWidth({line.data(), line.size()}), kTextWidth) << line;
  }
}

TEST(RenderReportTextTest, EverySectionIsThereAndFitsTheWidth) {
  const std::string text = TextOf(NorthReport());
  for (const char* title :
       {"In short", "Availability by site against its target", "Availability day by day", "The worst machines",
        "Faults, by the down time they began", "How long outages last", "Faults that came back",
        "How often machines fail", "Trend", "Washes and money lost", "What customers met", "What no fault reports",
        "The days ahead", "Alarms", "What is unknown, and what people settled by hand",
        "Closures left out by agreement", "How each figure is defined", "Read with care"}) {
    EXPECT_THAT(text, HasSubstr(std::string("\n\n") + title)) << title;
  }
  ExpectFits(text);
}

TEST(RenderReportTextTest, LongNamesAndLargeNumbersFitToo) {
  const std::string name(80, 'w');
  Report report = NorthReport();
  for (v1::AvailabilityRow& row : *report.answers.availability_by_site->mutable_rows()) {
    row.set_group(name);
    row.set_required_seconds(row.required_seconds() * 20);
    row.set_mtbf_upper_seconds(9876 * 3600.0);
  }
  for (v1::AvailabilityRow& row : *report.answers.availability_by_machine->mutable_rows()) row.set_group(name);
  for (v1::RankingRow& row : *report.answers.ranking->mutable_rows()) {
    row.set_name(name);
    row.set_first_out_seconds(12345 * 3600.0);
  }
  report.answers.repeats->mutable_sores(0)->set_machine(name);
  report.answers.losses->mutable_net(0)->set_site(name);
  report.answers.comparison->mutable_kinds(0)->mutable_machines(0)->set_machine(name);
  ExpectFits(TextOf(report));
}

TEST(RenderReportTextTest, HeadSaysPeriodScopeZoneAndStanding) {
  const std::string text = TextOf(NorthReport());
  EXPECT_THAT(text, HasSubstr("Period    August 2026: 2026-08-01 to 2026-08-31, both days included\n"));
  EXPECT_THAT(text, HasSubstr("Covers    region north\n"));
  EXPECT_THAT(text, HasSubstr("Times     Europe/Helsinki, the sites' own\n"));
  EXPECT_THAT(text, HasSubstr("As of     2026-09-02 11:10\n"));
  EXPECT_THAT(text, HasSubstr("Standing  complete"));
}

TEST(RenderReportTextTest, SitesStandAgainstTheirTargetsWithABar) {
  const std::string text = TextOf(NorthReport());
  EXPECT_THAT(text,
              HasSubstr("birch-street         95.14                   97.00  missed     ############.....|......."));
  EXPECT_THAT(text, HasSubstr("harbour-road         97.93  95.40 to 97.99   97.50  open "));
  EXPECT_THAT(text,
              HasSubstr("quarry-hill         100.00                   97.00  kept       #################|#######"));
  EXPECT_THAT(text,
              HasSubstr("north-gate           98.44  97.20 to 98.46                     #################???...."));
  EXPECT_THAT(text, HasSubstr("Bar from 90 % to 100 %: # reached"));
}

TEST(RenderReportTextTest, WhatTheIssueAsksForIsSaid) {
  const std::string text = TextOf(NorthReport());
  EXPECT_THAT(text, HasSubstr("birch-street/bay-1  gantry        21  13.40  8.40 to 20.60"));  // worst, with limits
  EXPECT_THAT(text, HasSubstr("air supply: pressure low    38.6  37.29"));                     // ranking
  EXPECT_THAT(text, HasSubstr("birch-street/bay-1: failures came about twice as often"));      // trend
  EXPECT_THAT(text, HasSubstr("44.0 h of announced closures are left out"));
  EXPECT_THAT(text, HasSubstr("  * Few outages say little."));
  EXPECT_THAT(text, HasSubstr("Nothing here says that it is safe to act."));
}

TEST(RenderReportTextTest, APeriodThatIsNotOverIsProvisional) {
  Report report = NorthReport();
  report.answers.availability_by_site->set_to_us(kReportAsOf);
  const std::string text = TextOf(report);
  EXPECT_THAT(text, HasSubstr("Standing  provisional: the period is not over yet"));
  EXPECT_THAT(text, HasSubstr("missed so far"));
}

TEST(RenderReportTextTest, MissingDataOfAPeriodThatIsOverIsProvisionalToo) {
  Report report = NorthReport();
  report.answers.availability_by_site->mutable_total()->set_provisional(true);
  report.answers.availability_by_site->mutable_rows(0)->set_provisional(true);
  const std::string text = TextOf(report);
  EXPECT_THAT(text, HasSubstr("Standing  provisional: data of the period is still missing"));
  EXPECT_THAT(text, HasSubstr("alder-lane ~"));
}

TEST(RenderReportTextTest, NotesOfSeveralAnswersAreSaidOnce) {
  const std::string text = TextOf(NorthReport());
  const std::string note = "A date is each site's own midnight";
  const std::size_t first = text.find(note);
  ASSERT_NE(first, std::string::npos);
  EXPECT_EQ(text.find(note, first + 1), std::string::npos);
}

TEST(RenderReportTextTest, EveryGapIsSaidInFrontAndInItsSection) {
  const absl::Status down = Unavailable("nobody answers");
  Report report = NorthReport();
  report.answers = ReportAnswers();
  ReportAnswers& got = report.answers;
  got.sites = down;
  got.availability_by_site = got.availability_by_machine = got.availability_by_step = down;
  got.ranking = down;
  got.comparison = down;
  got.trends = down;
  got.restoration = down;
  got.repeats = down;
  got.reliability = down;
  got.mean_cumulative = down;
  got.losses = down;
  got.cycle_drift = down;
  got.silent_stops = down;
  got.forecast = down;
  got.service_met = down;
  got.alarm_quality = down;
  const std::string text = TextOf(report);
  EXPECT_THAT(text, HasSubstr("This report is not whole."));
  std::size_t said = 0;
  for (std::size_t at = 0; (at = text.find("! Could not be had: ", at)) != std::string::npos; ++at) ++said;
  EXPECT_EQ(said, 18U);  // sixteen answers but the sites' names, and availability by site in two sections more
  EXPECT_THAT(HtmlOf(report), HasSubstr("<p class=\"missing\">Could not be had: trend verdicts: nobody answers</p>"));
  ExpectFits(text);
}

TEST(RenderReportTextTest, AnEmptyScopeIsSaidAndNothingElse) {
  Report report = NorthReport();
  report.answers.availability_by_site = v1::GetAvailabilityResponse();
  const std::string text = TextOf(report);
  EXPECT_THAT(text, HasSubstr("No machine is in this scope"));
  EXPECT_THAT(text, Not(HasSubstr("Trend")));
}

TEST(RenderReportTextTest, AnswersWithNothingInThemReadAsSentences) {
  Report report = NorthReport();
  ReportAnswers& got = report.answers;
  got.availability_by_step = v1::GetAvailabilityResponse();
  got.availability_by_machine = v1::GetAvailabilityResponse();
  got.ranking = v1::RankFaultsResponse();
  got.comparison = v1::CompareMachinesResponse();
  got.trends = v1::JudgeTrendsResponse();
  got.restoration = v1::GetRestorationResponse();
  got.repeats = v1::RankRepeatsResponse();
  got.mean_cumulative = v1::GetMeanCumulativeResponse();
  got.losses = v1::EstimateLossesResponse();
  got.silent_stops = v1::ListSilentStopsResponse();
  got.forecast = v1::ForecastOutagesResponse();
  got.alarm_quality = v1::GetAlarmQualityResponse();
  const std::string text = TextOf(report);
  for (const char* sentence :
       {"There is no day to show.", "No machine was down in required time.", "No fault stopped a machine.",
        "No machine is listed as failing more often than its kind.", "No outage began in the period.",
        "No outage was restored in the period.", "No failure by age to draw.", "No loss is known.",
        "None of 0 machines watched is silent beyond chance.", "There is no machine to forecast.",
        "No alarm was announced to anybody."}) {
    EXPECT_THAT(text, HasSubstr(sentence));
  }
}

TEST(RenderReportTextTest, OneSiteNeedsNoTotal) {
  Report report = NorthReport();
  report.answers.availability_by_site->mutable_rows()->DeleteSubrange(1, 5);
  const std::string csv = CsvOf(report);
  EXPECT_THAT(csv, Not(HasSubstr("availability_by_site,0,")));
  EXPECT_THAT(csv, HasSubstr("availability_by_site,1,alder-lane,target,97,%\r\n"));
}

TEST(RenderReportTextTest, VeryManySitesAreCutWithASentenceAndWholeInCsv) {
  Report report = NorthReport();
  v1::GetAvailabilityResponse& answer = *report.answers.availability_by_site;
  for (int i = 0; i < 2000; ++i) {
    *answer.add_rows() = answer.rows(0);
    answer.mutable_rows(answer.rows_size() - 1)->set_group(fmt::format("site-{:04}", i));
  }
  const std::string text = TextOf(report);
  EXPECT_THAT(text, HasSubstr("1,946 more sites are left out here; the CSV form of this report lists all."));
  EXPECT_THAT(text, Not(HasSubstr("site-1999")));
  EXPECT_THAT(HtmlOf(report), HasSubstr("1,946 more sites are left out here"));
  EXPECT_THAT(CsvOf(report), HasSubstr("availability_by_site,2006,site-1999,availability,"));
}

Report WithHostileNames() {
  Report report = NorthReport();
  report.scope.set_regions(0, kHostile);
  report.answers.availability_by_site->mutable_rows(0)->set_group(kHostile);
  report.answers.availability_by_machine->mutable_rows(2)->set_group(kHostile);
  report.answers.availability_by_site->add_notes(kHostile);
  report.answers.ranking->mutable_rows(0)->set_name(kHostile);
  report.answers.losses = Unavailable("{}", kHostile);
  return report;
}

TEST(RenderReportTest, HostileNamesStayWords) {
  const std::string html = HtmlOf(WithHostileNames());
  EXPECT_THAT(html, HasSubstr("=&lt;script&gt;&amp;&quot;&#39;?[31m,+1"));
  EXPECT_THAT(html, Not(HasSubstr("<script")));
  EXPECT_THAT(html, Not(HasSubstr("\x1b")));
  const std::string text = TextOf(WithHostileNames());
  EXPECT_THAT(text, HasSubstr("=<script>&\"'?[31m,+1"));
  EXPECT_THAT(text, Not(HasSubstr("\x1b")));
  ExpectFits(text);
  EXPECT_THAT(CsvOf(WithHostileNames()), HasSubstr(",\"'=<script>&\"\"'?[31m,+1\",availability,"));
}

TEST(CsvWordsTest, WhatASpreadsheetWouldComputeIsMadeText) {
  EXPECT_EQ(CsvWords("=1+1"), "'=1+1");
  EXPECT_EQ(CsvWords("+358"), "'+358");
  EXPECT_EQ(CsvWords("-2"), "'-2");
  EXPECT_EQ(CsvWords("@sum"), "'@sum");
  EXPECT_EQ(CsvWords("\tx"), "'?x");
  EXPECT_EQ(CsvWords("a\xff"), "a?");
  EXPECT_EQ(CsvWords("a=1"), "a=1");
  EXPECT_EQ(CsvWords("say \"no\", please"), "\"say \"\"no\"\", please\"");
  EXPECT_EQ(CsvWords(""), "");
}

TEST(RenderReportCsvTest, NumbersAreUnroundedAndNegativeOnesStayNumbers) {
  const std::string csv = CsvOf(NorthReport());
  EXPECT_THAT(csv, HasSubstr("losses,losses_net,3,mill-bridge,lost,-3.4,washes\r\n"));
  EXPECT_THAT(csv, HasSubstr("faults,faults,1,air_supply.pressure_low,share,37.29468599033817,%\r\n"));
}

TEST(TextBarTest, TargetOpenPartAndRestStandAtTheirPlaces) {
  EXPECT_EQ(TextBar({0.95, 0.95, std::nullopt}, 0.9), "############............");
  EXPECT_EQ(TextBar({0.95, 0.975, 0.95}, 0.9), "############|??????......");
  EXPECT_EQ(TextBar({1, 1, std::nullopt}, 0), std::string(24, '#'));
  // One minute short of full is not drawn as full, and what lies below the scale is empty.
  EXPECT_EQ(TextBar({0.99999, 0.99999, std::nullopt}, 0.9), std::string(23, '#') + ".");
  EXPECT_EQ(TextBar({0.2, 0.2, std::nullopt}, 0.9), std::string(24, '.'));
}

}  // namespace
}  // namespace bayward::cli::report
