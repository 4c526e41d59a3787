// Reads the forms of a report with parsers that are not ours: report_files_check.py, beside this file.
#include <cstdlib>
#include <fstream>

#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/cli/report/compose.h"
#include "server/cli/report/report_csv.h"
#include "server/cli/report/report_html.h"
#include "server/cli/report/report_json.h"
#include "tests/support/report_answers.h"

namespace bayward::cli::report {
namespace {

void ExpectReadable(const Report& report, const std::string& name) {
  const std::string stem = ::testing::TempDir() + "report_files_" + name;
  const Document document = ComposeReport(report, absl::UTCTimeZone());
  std::ofstream(stem + ".html") << RenderReportHtml(document);
  std::ofstream(stem + ".csv") << RenderReportCsv(document);
  std::ofstream(stem + ".json") << RenderReportJson(report);
  const std::string command =
      "/usr/bin/python3 -B " BAYWARD_SOURCE_DIR "/tests/unit/report_files_check.py '" + stem + "' 2>&1";
  EXPECT_EQ(std::system(command.c_str()), 0) << "the lines above say what is wrong with " << stem;
}

TEST(ReportFilesTest, AWholeReport) { ExpectReadable(NorthReport(), "whole"); }

TEST(ReportFilesTest, NamesThatTryToBreakOut) {
  Report report = NorthReport();
  for (const char* name : {"\"><script>alert(1)</script>", "=cmd|' /c x'!A0", "\x01\u202e ]]> --> &amp;"}) {
    report.answers.availability_by_site->mutable_rows(0)->set_group(name);
    report.answers.ranking->mutable_rows(0)->set_name(name);
    report.answers.trends->mutable_machines(0)->set_machine(name);
    report.scope.set_regions(0, "</title>");
    report.answers.losses = Unavailable("</style>{}", name);
    ExpectReadable(report, "hostile");
  }
}

TEST(ReportFilesTest, AWideRangeOfShares) {
  Report report = NorthReport();
  for (v1::RankingRow& row : *report.answers.ranking->mutable_rows()) {
    row.set_name("a_subsystem_with_a_long_name.and_an_even_longer_failure_mode");
    row.set_share(1.0 / 12);
    row.set_cumulative_share(row.rank() / 12.0);
    row.set_first_out_seconds(123456 * 3600.0);
  }
  for (v1::AvailabilityRow& row : *report.answers.availability_by_step->mutable_series()) {
    row.set_availability(0.1);
    row.set_availability_low(0);
  }
  ExpectReadable(report, "wide");
}

TEST(ReportFilesTest, NothingHadAtAll) {
  Report report;
  report.period = August();
  ExpectReadable(report, "nothing");
}

}  // namespace
}  // namespace bayward::cli::report
