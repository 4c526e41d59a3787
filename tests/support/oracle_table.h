// Reads a table of cases that a script under tests/oracles printed: a header line, then numbers and short texts, comma
// separated, no quoting. A list inside a cell is separated by blanks. One thread.
#pragma once

#include <cstdlib>
#include <fstream>
#include <limits>
#include <map>
#include <sstream>
#include <string>
#include <utility>
#include <vector>

#include "gtest/gtest.h"

namespace bayward::testing {

class OracleRow {
 public:
  explicit OracleRow(std::map<std::string, std::string> cells) : cells_(std::move(cells)) {}

  const std::string& Text(const std::string& column) const {
    static const std::string nothing;
    const auto cell = cells_.find(column);
    EXPECT_NE(cell, cells_.end()) << "the table has no column " << column;
    return cell == cells_.end() ? nothing : cell->second;
  }
  // "Inf", "-Inf" and "NaN" as R prints them are understood; "NA" is NaN.
  double Number(const std::string& column) const { return ToNumber(Text(column), column); }
  std::vector<double> Numbers(const std::string& column) const {
    std::vector<double> numbers;
    std::istringstream in(Text(column));
    for (std::string word; in >> word;) numbers.push_back(ToNumber(word, column));
    return numbers;
  }

 private:
  static double ToNumber(const std::string& text, const std::string& column) {
    if (text == "NA") return std::numeric_limits<double>::quiet_NaN();
    char* end = nullptr;
    const double number = std::strtod(text.c_str(), &end);
    EXPECT_TRUE(!text.empty() && *end == '\0') << column << " is no number: \"" << text << '"';
    return number;
  }

  std::map<std::string, std::string> cells_;
};

// The rows of tests/oracles/`name`; fails the test where there are none.
inline std::vector<OracleRow> ReadOracle(const std::string& name) {
  std::ifstream in(std::string(BAYWARD_SOURCE_DIR) + "/tests/oracles/" + name);
  const auto split = [](const std::string& line) {
    std::vector<std::string> cells;
    std::istringstream cells_in(line);
    for (std::string cell; std::getline(cells_in, cell, ',');) cells.push_back(cell);
    return cells;
  };
  std::string line;
  std::getline(in, line);
  const std::vector<std::string> header = split(line);
  std::vector<OracleRow> rows;
  while (std::getline(in, line)) {
    const std::vector<std::string> cells = split(line);
    std::map<std::string, std::string> row;
    for (std::size_t i = 0; i < header.size() && i < cells.size(); ++i) row[header[i]] = cells[i];
    rows.emplace_back(std::move(row));
  }
  EXPECT_FALSE(rows.empty()) << "tests/oracles/" << name << " has no rows";
  return rows;
}

}  // namespace bayward::testing
