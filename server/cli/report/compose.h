// Makes the report that people read from what a server answered. Pure: any thread may call.
#pragma once

#include "absl/time/time.h"
#include "server/cli/report/document.h"
#include "server/cli/report/report.h"

namespace bayward::cli::report {

// Instants are shown in the sites' time zone, in `zone` where they have several. An answer that could not be had is
// said to be missing in its section and at the front.
Document ComposeReport(const Report& report, absl::TimeZone zone);

}  // namespace bayward::cli::report
