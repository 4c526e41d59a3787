#include "server/cli/report/cells.h"

#include <algorithm>
#include <cmath>

#include "absl/time/time.h"
#include "fmt/format.h"
#include "server/cli/format.h"

namespace bayward::cli::report {
namespace {

// With thousands apart, and no minus before a zero.
std::string Decimal(double value, int decimals) {
  std::string text = fmt::format("{:.{}f}", std::abs(value), decimals);
  const std::size_t point = text.find('.');
  for (std::size_t at = point == std::string::npos ? text.size() : point; at > 3;) text.insert(at -= 3, ",");
  const bool zero = text.find_first_not_of("0.,") == std::string::npos;
  return value < 0 && !zero ? "-" + text : text;
}

int AmountDecimals(double value) { return std::abs(value) < 99.95 ? 1 : 0; }

Cell Ranged(std::string low_text, std::string high_text, double low, double high) {
  Cell cell{low_text + " to " + high_text, {}, std::pair(low, high), "", {}};
  return cell;
}

}  // namespace

Cell WordsCell(std::string_view words) { return {std::string(words), {}, {}, "", {}}; }
Cell FaultCell(std::string_view name) { return {ReadableFault(name), {}, {}, std::string(name), {}}; }
Cell CountCell(std::uint64_t count) { return {Count(count), static_cast<double>(count), {}, "", {}}; }
Cell HoursCell(double hours) { return {Hours(hours * 3600), hours, {}, "", {}}; }
Cell HoursRangeCell(double low, double high) { return Ranged(Hours(low * 3600), Hours(high * 3600), low, high); }
Cell PercentCell(double share) { return {Percent(share), share * 100, {}, "", {}}; }
Cell PercentRangeCell(double low, double high) { return Ranged(Percent(low), Percent(high), low * 100, high * 100); }
Cell NumberCell(double value, int decimals) { return {Decimal(value, decimals), value, {}, "", {}}; }
Cell RangeCell(double low, double high, int decimals) {
  return Ranged(Decimal(low, decimals), Decimal(high, decimals), low, high);
}
Cell DurationCell(double hours) { return {ReadableDuration(absl::Hours(hours)), hours, {}, "", {}}; }
Cell AmountCell(double value) { return {AmountText(value), value, {}, "", {}}; }
Cell AmountRangeCell(double low, double high) { return Ranged(AmountText(low), AmountText(high), low, high); }

std::string AmountText(double value) { return Decimal(value, AmountDecimals(value)); }

std::string EstimateText(const v1::Estimate& estimate) {
  return fmt::format("{} ({} to {})", AmountText(estimate.value()), AmountText(estimate.lower()),
                     AmountText(estimate.upper()));
}

std::string ReadableFault(std::string_view name) {
  std::string text;
  for (const char c : name) {
    if (c == '.') {
      text += ": ";
    } else {
      text += c == '_' ? ' ' : c;
    }
  }
  return text;
}

std::string Counted(std::uint64_t count, std::string_view one, std::string_view many) {
  return fmt::format("{} {}", Count(count), count == 1 ? one : many);
}

std::string WholeHeading(const TableColumn& column) {
  std::string text;
  for (std::size_t i = 0; i < column.heading.size(); ++i) {
    if (column.heading[i] == '-' && i + 1 < column.heading.size() && column.heading[i + 1] == '\n') {
      ++i;
    } else {
      text += column.heading[i] == '\n' ? ' ' : column.heading[i];
    }
  }
  return text;
}

std::size_t RowsShown(const Table& table) {
  return table.rows_shown == 0 ? table.rows.size() : std::min(table.rows_shown, table.rows.size());
}

std::string LeftOutText(const Table& table) {
  return fmt::format("{} more {} are left out here; the CSV form of this report lists all.",
                     Count(table.rows.size() - table.rows_shown), table.rows_are);
}

}  // namespace bayward::cli::report
