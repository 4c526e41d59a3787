// The words at a report's end: what its figures mean and how far they carry. Pure: any thread may call.
#pragma once

#include "server/cli/report/document.h"

namespace bayward::cli::report {

Definitions FigureDefinitions();
Notes ReportCautions();

}  // namespace bayward::cli::report
