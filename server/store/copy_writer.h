// Rows in PostgreSQL's binary COPY format, collected in memory and sent in one go: the fastest way in. One thread.
//
//   signature "PGCOPY\n\377\r\n\0" | flags int32 | extension int32 | rows … | int16 -1
//   row: int16 fields | field: int32 length, bytes        (all big-endian; length -1 is NULL)
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "server/store/database.h"

namespace bayward {

class CopyRows {
 public:
  // `table_and_columns` as in COPY: "event (received_at, sequence)". `columns` fields make a row.
  CopyRows(std::string table_and_columns, std::int16_t columns);

  void BeginRow();
  void Int16(std::int16_t value);
  void Int32(std::int32_t value);
  void Int64(std::int64_t value);
  void Bool(bool value);
  void Bytes(std::string_view value);  // bytea, or text that is valid UTF-8 without NUL
  void Timestamp(absl::Time value);    // infinities kept

  std::size_t rows() const { return rows_; }
  std::size_t bytes() const { return buffer_.size(); }

  // Sends what was collected within the connection's open transaction, and starts over. Nothing is sent for no rows.
  // Errors as StatusOfCurrentException.
  absl::Status Send(Connection& connection);
  void Clear();

 private:
  void Big(std::uint64_t value, int bytes);

  const std::string copy_;
  const std::int16_t columns_;
  std::string buffer_;
  std::size_t rows_ = 0;
};

}  // namespace bayward
