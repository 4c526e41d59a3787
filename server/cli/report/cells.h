// Cells of a report's tables from figures and their units. Pure: any thread may call.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "bayward/v1/losses.pb.h"
#include "bayward/v1/window.pb.h"
#include "server/cli/report/document.h"

namespace bayward::cli::report {

Cell WordsCell(std::string_view words);
// Of a fault class's name: "air supply: pressure low", exactly "air_supply.pressure_low".
Cell FaultCell(std::string_view name);
Cell CountCell(std::uint64_t count);
// In hours: "12.3".
Cell HoursCell(double hours);
Cell HoursRangeCell(double low, double high);
// Of a share, in %.
Cell PercentCell(double share);
Cell PercentRangeCell(double low, double high);
Cell NumberCell(double value, int decimals);
Cell RangeCell(double low, double high, int decimals);
// Elapsed hours as "2 h 05 min"; the number stays hours.
Cell DurationCell(double hours);
// Washes or money: no decimals from 100 on.
Cell AmountCell(double value);
Cell AmountRangeCell(double low, double high);

std::string AmountText(double value);
// "1,240 (1,010 to 1,480)".
std::string EstimateText(const v1::Estimate& estimate);
// "air supply: pressure low".
std::string ReadableFault(std::string_view name);
// "1 machine", "2 machines".
std::string Counted(std::uint64_t count, std::string_view one, std::string_view many);

}  // namespace bayward::cli::report
