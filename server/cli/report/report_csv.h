// A report as one flat CSV file (RFC 4180, UTF-8), for spreadsheets and scripts. Pure: any thread may call.
//
//   section,table,row,name,column,value,unit
//   availability,availability_by_site,1,alder,availability,97.31,%
//
// A line for each figure: `row` counts from 1 within its table (0: its total), `name` is the row's first cell of
// words, numbers are unrounded with a point and without separators, a range is two lines ("…, low" and "…, high"), a
// cell with nothing in it has no line. Paragraphs, notes and definitions are lines whose `table` is "words", "notes"
// or "definitions" and whose `column` is "text". All rows are there, also those that text and HTML leave out.
#pragma once

#include <string>
#include <string_view>

#include "server/cli/report/document.h"

namespace bayward::cli::report {

std::string RenderReportCsv(const Document& document);

// One field of words. A field that a spreadsheet would take for a formula (it begins with = + - @, a tab or a
// carriage return) gets an apostrophe before it; numbers are never passed through here.
std::string CsvWords(std::string_view words);

}  // namespace bayward::cli::report
