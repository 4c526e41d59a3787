#include "server/cli/table.h"

#include <algorithm>
#include <utility>

namespace bayward::cli {
namespace {

constexpr std::size_t kGap = 2;

std::vector<std::string> Lines(const std::string& heading) {
  std::vector<std::string> lines;
  std::size_t at = 0;
  while (true) {
    const std::size_t end = heading.find('\n', at);
    lines.push_back(heading.substr(at, end - at));
    if (end == std::string::npos) return lines;
    at = end + 1;
  }
}

std::string Pad(const std::string& text, std::size_t width, Align align) {
  const std::string cut = CutToWidth(text, width);
  const std::string blanks(width - DisplayWidth(cut), ' ');
  return align == Align::kRight ? blanks + cut : cut + blanks;
}

}  // namespace

struct Table::Shape {
  std::vector<std::size_t> shown;   // columns, by index
  std::vector<std::size_t> widths;  // of those
  std::size_t heading_lines = 1;

  std::size_t Total() const {
    std::size_t total = shown.empty() ? 0 : kGap * (shown.size() - 1);
    for (const std::size_t width : widths) total += width;
    return total;
  }
};

void Table::Add(std::vector<std::string> cells) {
  cells.resize(columns_.size());
  for (std::string& cell : cells) cell = Printable(cell);
  rows_.push_back(std::move(cells));
}

void Table::AddRule() { rows_.emplace_back(); }

Table::Shape Table::Measure(std::size_t width_max) const {
  Shape shape;
  for (std::size_t i = 0; i < columns_.size(); ++i) {
    std::size_t content = 0;
    for (const auto& row : rows_) content = std::max(content, row.empty() ? 0 : DisplayWidth(row[i]));
    if (content == 0) continue;
    const std::vector<std::string> heading = Lines(columns_[i].heading);
    shape.heading_lines = std::max(shape.heading_lines, heading.size());
    for (const std::string& line : heading) content = std::max(content, DisplayWidth(line));
    shape.shown.push_back(i);
    shape.widths.push_back(content);
  }
  for (std::size_t total = shape.Total(); total > width_max; --total) {
    std::size_t* widest = nullptr;
    for (std::size_t k = 0; k < shape.shown.size(); ++k) {
      const std::size_t least = columns_[shape.shown[k]].shrink_to;
      if (least == 0 || shape.widths[k] <= least) continue;
      if (widest == nullptr || shape.widths[k] > *widest) widest = &shape.widths[k];
    }
    if (widest == nullptr) break;
    --*widest;
  }
  return shape;
}

std::string Table::Render(std::size_t width_max) const {
  const Shape shape = Measure(width_max);
  std::string out;
  const auto add_line = [&](auto cell_of) {
    std::string line;
    for (std::size_t k = 0; k < shape.shown.size(); ++k) {
      if (k > 0) line += std::string(kGap, ' ');
      line += Pad(cell_of(shape.shown[k]), shape.widths[k], columns_[shape.shown[k]].align);
    }
    line.erase(line.find_last_not_of(' ') + 1);
    out += line + "\n";
  };
  const std::string rule(std::min(shape.Total(), width_max), '-');
  for (std::size_t line = 0; line < shape.heading_lines; ++line) {
    add_line([&](std::size_t column) {
      const std::vector<std::string> heading = Lines(columns_[column].heading);
      const std::size_t above = shape.heading_lines - heading.size();
      return line < above ? std::string() : heading[line - above];
    });
  }
  out += rule + "\n";
  for (const auto& row : rows_) {
    if (row.empty()) {
      out += rule + "\n";
    } else {
      add_line([&](std::size_t column) { return row[column]; });
    }
  }
  return out;
}

}  // namespace bayward::cli
