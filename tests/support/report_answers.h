// Answers of an invented server for the tests of `bayward report`: six sites of a region "north" in August 2026.
// Plain values of one thread.
#pragma once

#include "server/cli/report/report.h"

namespace bayward::cli::report {

inline constexpr std::int64_t kReportAsOf = 1788336600000000;  // 2026-09-02T08:10:00Z

absl::Time ReportNow();
Period August();
v1::Scope North();

// Everything a server can say, with unknown hours, settled hours, a site without a target and one that missed it.
ReportAnswers NorthInAugust();
Report NorthReport();

// A server that gives these answers.
ReportCalls CallsOf(const ReportAnswers& answers);

}  // namespace bayward::cli::report
