// Gathers rows of one table into few INSERT statements. One thread, within one transaction.
#pragma once

#include <algorithm>
#include <cstddef>
#include <string>
#include <utility>
#include <vector>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "pqxx/pqxx"

namespace bayward {

class InsertBatch {
 public:
  InsertBatch(std::string table, std::string columns)
      : table_(std::move(table)), columns_(std::move(columns)) {}

  // `values` are SQL literals, separated by commas, in the order of the columns.
  void Add(const std::string& values) { rows_.push_back("(" + values + ")"); }

  // Inserts what was added. Throws what pqxx throws.
  void Flush(pqxx::transaction_base& tx) {
    constexpr std::size_t kRowsMax = 500;
    for (std::size_t first = 0; first < rows_.size(); first += kRowsMax) {
      const auto begin = rows_.begin() + static_cast<std::ptrdiff_t>(first);
      const auto end = rows_.begin() + static_cast<std::ptrdiff_t>(std::min(first + kRowsMax, rows_.size()));
      tx.exec(
          fmt::format("INSERT INTO {} ({}) VALUES {}", table_, columns_, absl::StrJoin(begin, end, ", ")));
    }
    rows_.clear();
  }

 private:
  const std::string table_;
  const std::string columns_;
  std::vector<std::string> rows_;
};

}  // namespace bayward
