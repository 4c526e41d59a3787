// A report as one JSON object: the server's answers as they came, for programs. Pure: any thread may call.
//
//   {"period": {"text", "name", "from", "to"}, "scope": {…},
//    "answers": {"ranking": {…}, …}, "missing": {"losses": "why"}}
//
// Each answer stands under its name in protobuf JSON; `to` is not included in the period.
#pragma once

#include <string>

#include "server/cli/report/report.h"

namespace bayward::cli::report {

std::string RenderReportJson(const Report& report);

}  // namespace bayward::cli::report
