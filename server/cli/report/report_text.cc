#include "server/cli/report/report_text.h"

#include <algorithm>
#include <cmath>

#include "fmt/format.h"
#include "server/cli/format.h"
#include "server/cli/report/cells.h"
#include "server/cli/table.h"

namespace bayward::cli::report {
namespace {

constexpr int kBarColumns = 24;

// Column of the bar in which the share lies, 0 to kBarColumns.
int BarColumn(double share, double from) {
  const double part = std::clamp((share - from) / (1 - from), 0.0, 1.0);
  return static_cast<int>(std::lround(part * kBarColumns));
}

// Wraps after cleaning, so that nothing in a name can move the cursor.
std::string Words(std::string_view first, std::string_view text) { return Wrap(first, Printable(text), kTextWidth); }

bool HasBars(const Table& table) {
  return std::any_of(table.rows.begin(), table.rows.end(), [](const std::vector<Cell>& row) {
    return std::any_of(row.begin(), row.end(), [](const Cell& cell) { return cell.bar.has_value(); });
  });
}

std::vector<std::string> TextCells(const std::vector<Cell>& row, double bar_from) {
  std::vector<std::string> cells;
  for (const Cell& cell : row) cells.push_back(cell.bar ? TextBar(*cell.bar, bar_from) : cell.text);
  return cells;
}

std::string TableText(const Table& table) {
  std::vector<Column> columns;
  for (const TableColumn& column : table.columns) {
    columns.push_back({column.heading, column.right ? Align::kRight : Align::kLeft, column.shrink_to});
  }
  cli::Table text(std::move(columns));
  const std::size_t shown = RowsShown(table);
  for (std::size_t i = 0; i < shown; ++i) text.Add(TextCells(table.rows[i], table.bar_from));
  if (!table.total.empty()) {
    text.AddRule();
    text.Add(TextCells(table.total, table.bar_from));
  }
  std::string out = Words("", table.caption) + "\n" + text.Render(kTextWidth);
  if (shown < table.rows.size()) out += Words("", LeftOutText(table));
  if (HasBars(table)) {
    out += Words(
        "", fmt::format("Bar from {:g} % to 100 %: # reached, ? left open by unknown time, . missing, | the target.",
                        table.bar_from * 100));
  }
  return out;
}

struct BlockText {
  std::string operator()(const Paragraph& paragraph) const {
    return Words(paragraph.strong ? "! " : "", paragraph.text);
  }
  std::string operator()(const Notes& notes) const {
    std::string out;
    for (const std::string& sentence : notes.sentences) out += Words("  * ", sentence);
    return out;
  }
  std::string operator()(const Definitions& definitions) const {
    std::string out;
    for (const Definition& entry : definitions.entries) {
      out += (out.empty() ? "" : "\n") + entry.term + "\n" + Words("    ", entry.meaning);
    }
    return out;
  }
  std::string operator()(const Table& table) const { return TableText(table); }
  // A terminal has no charts; the numbers are the same.
  std::string operator()(const Figure& figure) const { return TableText(figure.numbers); }
};

}  // namespace

std::string TextBar(const Bar& bar, double from) {
  const int low = BarColumn(bar.low, from);
  // Short of full is shown as short of full.
  const int reached = bar.low < 1 ? std::min(low, kBarColumns - 1) : low;
  const int open = std::max(BarColumn(bar.high, from), reached);
  std::string out = std::string(static_cast<std::size_t>(reached), '#') +
                    std::string(static_cast<std::size_t>(open - reached), bar.high > bar.low ? '?' : '.') +
                    std::string(static_cast<std::size_t>(kBarColumns - open), '.');
  if (bar.target) out.insert(static_cast<std::size_t>(BarColumn(*bar.target, from)), "|");
  return out;
}

std::string RenderReportText(const Document& document) {
  std::string out = Words("", document.title);
  out += std::string(std::min(DisplayWidth(Printable(document.title)), kTextWidth), '=') + "\n\n";
  for (const auto& [name, value] : document.heading) out += Words(fmt::format("{:<10}", name), value);
  for (const Section& section : document.sections) {
    out += "\n\n" + section.title + "\n" + std::string(DisplayWidth(section.title), '-') + "\n";
    for (const Block& block : section.blocks) {
      const std::string text = std::visit(BlockText(), block);
      if (!text.empty()) out += "\n" + text;
    }
  }
  return out;
}

}  // namespace bayward::cli::report
