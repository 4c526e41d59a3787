// A report for a terminal or a plain printer: at most 100 columns. Pure: any thread may call.
#pragma once

#include <string>

#include "server/cli/report/document.h"

namespace bayward::cli::report {

inline constexpr std::size_t kTextWidth = 100;

std::string RenderReportText(const Document& document);

// "####??..|.": what is reached, what unknown time leaves open, the rest, and the target's place. A scale from `from`
// to 1.
std::string TextBar(const Bar& bar, double from);

}  // namespace bayward::cli::report
