// A report as one HTML page: no script, nothing loaded from elsewhere, laid out for screen and for A4 paper. Pure:
// any thread may call.
#pragma once

#include <string>

#include "server/cli/report/document.h"

namespace bayward::cli::report {

// Valid HTML5 that is also well-formed XML.
std::string RenderReportHtml(const Document& document);

}  // namespace bayward::cli::report
