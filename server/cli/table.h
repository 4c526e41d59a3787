// Lays text out in aligned columns for a terminal. For one thread at a time.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace bayward::cli {

inline constexpr std::size_t kTableWidthMax = 120;

// Columns a terminal needs for UTF-8 text: 0 for combining marks, 2 for wide characters (Unicode Standard
// Annex #11), 1 for anything else, invalid bytes included.
std::size_t DisplayWidth(std::string_view text);

// The text for a terminal: control characters, which could move the cursor or worse, and invalid UTF-8 become
// "?".
std::string Printable(std::string_view text);

// The first `columns` columns of the text, the last one "…" where something is cut off.
std::string CutToWidth(std::string_view text, std::size_t columns);

enum class Align { kLeft, kRight };

struct Column {
  std::string heading;  // may have several lines; they stand on the last
  Align align = Align::kLeft;
  // A column that may be cut, to no less than this, when the table is too wide; 0: never. The widest is cut
  // first.
  std::size_t shrink_to = 0;
};

class Table {
 public:
  explicit Table(std::vector<Column> columns) : columns_(std::move(columns)) {}

  // As many cells as columns; missing ones are empty.
  void Add(std::vector<std::string> cells);
  // A line between the rows so far and those to come, such as before a total.
  void AddRule();

  bool empty() const { return rows_.empty(); }

  // Heading, rule, rows; every line ends with a line feed and has no blanks before it. Columns empty in every
  // row are left out. Two blanks between columns.
  std::string Render(std::size_t width_max = kTableWidthMax) const;

 private:
  struct Shape;
  Shape Measure(std::size_t width_max) const;

  std::vector<Column> columns_;
  std::vector<std::vector<std::string>> rows_;  // an empty one is a rule
};

}  // namespace bayward::cli
