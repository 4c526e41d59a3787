// A report as sections of words, tables and charts, before it becomes text, HTML or CSV. Plain values.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

namespace bayward::cli::report {

// A share drawn as a bar whose scale runs from its table's `bar_from` to 1. `low` to `high` is what unknown time
// leaves open.
struct Bar {
  double low = 0;
  double high = 0;
  std::optional<double> target;
};

struct Cell {
  std::string text;              // as people read it
  std::optional<double> number;  // the same unrounded, in the column's unit
  std::optional<std::pair<double, double>> range;
  std::string exact;  // as the other commands spell it, where `text` is made easier to read
  std::optional<Bar> bar;
};

struct TableColumn {
  std::string heading;  // lines apart by line feeds; a hyphen before one splits a word
  std::string unit;     // of its numbers, in words or as a symbol; empty for words
  bool right = true;
  std::size_t shrink_to = 0;  // may be cut in a terminal, to no less than this; 0: never
};

struct Table {
  std::string id;
  std::string caption;
  std::vector<TableColumn> columns;
  std::string rows_are;        // "sites"
  std::size_t rows_shown = 0;  // text and HTML end there and say how many are left out; 0: all
  std::vector<std::vector<Cell>> rows = {};  // as many cells as columns
  std::vector<Cell> total = {};              // may be empty
  double bar_from = 0;
};

// Bars of shares, the largest first, and a line of what they sum to.
struct ParetoChart {
  struct Item {
    std::string label;
    double share = 0;
    double cumulative = 0;
    std::string amount;  // "12.3 h"
  };
  std::vector<Item> items;
};

// A share for each of consecutive days, weeks or months; none where nothing was observed.
struct PeriodChart {
  struct Item {
    std::string label;
    std::optional<double> value;
    double low = 0;  // what unknown time leaves open
    double high = 0;
  };
  std::vector<Item> items;
  std::optional<double> target;
};

// A curve that keeps its value until the next step, with limits where there are any.
struct StepChart {
  struct Step {
    double x = 0;
    double y = 0;
    std::optional<double> lower;
    std::optional<double> upper;
  };
  std::vector<Step> steps;  // by rising x, the first at the curve's beginning
  double x_until = 0;       // where the axis ends
  bool hours = false;       // the axis is in hours, else in plain numbers
  bool share = false;       // values are shares, shown as percentages
  std::string x_label;
  std::string y_label;
};

using Chart = std::variant<ParetoChart, PeriodChart, StepChart>;

struct Paragraph {
  std::string text;
  bool strong = false;
};
struct Notes {
  std::vector<std::string> sentences;
};
struct Definition {
  std::string term;
  std::string meaning;
};
struct Definitions {
  std::vector<Definition> entries;
};
// A chart with what it shows in words and in numbers.
struct Figure {
  std::string id;
  std::string title;
  std::string description;
  Chart chart;
  Table numbers;
};

using Block = std::variant<Paragraph, Notes, Definitions, Table, Figure>;

struct Section {
  std::string id;
  std::string title;
  std::vector<Block> blocks;
};

struct Document {
  std::string title;
  std::vector<std::pair<std::string, std::string>> heading;  // "Period": "August 2026 …"
  std::vector<Section> sections;
};

// A column's heading in one line: words that were split for narrow columns are whole again.
std::string WholeHeading(const TableColumn& column);
// Rows that text and HTML show.
std::size_t RowsShown(const Table& table);
// "12 more sites are left out here; …", for a table whose rows are not all shown.
std::string LeftOutText(const Table& table);

}  // namespace bayward::cli::report
