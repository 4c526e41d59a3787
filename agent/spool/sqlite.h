// The little of SQLite that the spool needs, with statuses for its codes. A connection and its statements are
// used by one thread at a time.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

struct sqlite3;
struct sqlite3_stmt;

namespace bayward {

// ResourceExhausted for a full disk and for any failed input or output; DataLoss for a damaged file;
// Unavailable while somebody else holds it; FailedPrecondition where it cannot be opened or written to.
absl::Status SqliteStatus(sqlite3* db, std::string_view doing);

class SqliteStatement {
 public:
  SqliteStatement(sqlite3* db, std::string_view sql);
  ~SqliteStatement();
  SqliteStatement(const SqliteStatement&) = delete;
  SqliteStatement& operator=(const SqliteStatement&) = delete;

  // Parameters count from 1. The text and blob must live until the next Reset.
  SqliteStatement& Bind(int index, std::int64_t value);
  SqliteStatement& BindNull(int index);
  SqliteStatement& BindText(int index, std::string_view text);
  SqliteStatement& BindBlob(int index, std::string_view blob);

  // Whether there is a row. Columns count from 0 and are valid until the next Step.
  absl::StatusOr<bool> Step();
  // Steps a statement without rows to its end and makes it ready for the next parameters.
  absl::Status Run();
  void Reset();

  bool IsNull(int column) const;
  std::int64_t Integer(int column) const;
  std::string_view Blob(int column) const;  // also of text

 private:
  sqlite3* db_;
  sqlite3_stmt* statement_ = nullptr;
};

class SqliteDb {
 public:
  // `vfs`: name of a registered one; nullptr: SQLite's own.
  static absl::StatusOr<std::unique_ptr<SqliteDb>> Open(const std::filesystem::path& path, const char* vfs,
                                                        bool read_only);
  ~SqliteDb();
  SqliteDb(const SqliteDb&) = delete;
  SqliteDb& operator=(const SqliteDb&) = delete;

  absl::Status Run(const char* sql);
  // The first column of the first row.
  absl::StatusOr<std::int64_t> Integer(std::string_view sql);
  absl::StatusOr<std::string> Text(std::string_view sql);
  // After a failure: rolls back what is still open of a transaction.
  void Rollback();
  // Whether the failure before the last Rollback was that the disk, or the bound of the file, is full.
  bool full() const { return full_; }

  sqlite3* handle() { return db_; }

 private:
  explicit SqliteDb(sqlite3* db) : db_(db) {}
  sqlite3* db_;
  bool full_ = false;
};

}  // namespace bayward
