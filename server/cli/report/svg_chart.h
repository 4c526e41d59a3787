// Charts as SVG elements to stand inside an HTML page. Pure: any thread may call.
//
// Shape, pattern and words carry the meaning, so that a chart reads the same in black and white; nothing outside the
// element is referred to.
#pragma once

#include <string>

#include "server/cli/report/document.h"

namespace bayward::cli::report {

// With a title and a description for those who cannot see it. `id` begins every id inside: unique in the page.
std::string DrawChart(const Chart& chart, const std::string& id, const std::string& title,
                      const std::string& description);

// A bar for a table's cell, of a share on a scale from `from` to 1. It adds nothing to the cells beside it, so it is
// hidden from screen readers. It uses BarDefinitions, which stand once in the page.
std::string DrawBar(const Bar& bar, double from);
std::string BarDefinitions();

}  // namespace bayward::cli::report
