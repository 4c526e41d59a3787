#include "agent/spool/sqlite.h"

#include <sqlite3.h>

#include "proto/common/status.h"

namespace bayward {
namespace {

absl::StatusCode CodeOf(int result) {
  switch (result & 0xff) {
    case SQLITE_FULL:
    case SQLITE_IOERR:
      return absl::StatusCode::kResourceExhausted;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
      return absl::StatusCode::kDataLoss;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return absl::StatusCode::kUnavailable;
    case SQLITE_CANTOPEN:
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
      return absl::StatusCode::kFailedPrecondition;
    default:
      return absl::StatusCode::kInternal;
  }
}

}  // namespace

absl::Status SqliteStatus(sqlite3* db, std::string_view doing) {
  const int result = sqlite3_extended_errcode(db);
  return MakeStatus(CodeOf(result), fmt::format("spool: {}: {} ({})", doing, sqlite3_errmsg(db), result));
}

SqliteStatement::SqliteStatement(sqlite3* db, std::string_view sql) : db_(db) {
  sqlite3_prepare_v2(db, sql.data(), static_cast<int>(sql.size()), &statement_, nullptr);
}

SqliteStatement::~SqliteStatement() { sqlite3_finalize(statement_); }

SqliteStatement& SqliteStatement::Bind(int index, std::int64_t value) {
  sqlite3_bind_int64(statement_, index, value);
  return *this;
}
SqliteStatement& SqliteStatement::BindNull(int index) {
  sqlite3_bind_null(statement_, index);
  return *this;
}
SqliteStatement& SqliteStatement::BindText(int index, std::string_view text) {
  sqlite3_bind_text(statement_, index, text.data(), static_cast<int>(text.size()), SQLITE_STATIC);
  return *this;
}
SqliteStatement& SqliteStatement::BindBlob(int index, std::string_view blob) {
  // A null pointer would be SQL NULL, not an empty blob.
  const char* data = blob.empty() ? "" : blob.data();
  sqlite3_bind_blob(statement_, index, data, static_cast<int>(blob.size()), SQLITE_STATIC);
  return *this;
}

absl::StatusOr<bool> SqliteStatement::Step() {
  // A statement that could not be prepared left its reason in the connection.
  if (statement_ == nullptr) return SqliteStatus(db_, "prepare");
  const int result = sqlite3_step(statement_);
  if (result == SQLITE_ROW) return true;
  if (result == SQLITE_DONE) return false;
  return SqliteStatus(db_, sqlite3_sql(statement_));
}

absl::Status SqliteStatement::Run() {
  const auto row = Step();
  BAYWARD_RETURN_IF_ERROR(row.status());
  Reset();
  return absl::OkStatus();
}

void SqliteStatement::Reset() {
  sqlite3_reset(statement_);
  sqlite3_clear_bindings(statement_);
}

bool SqliteStatement::IsNull(int column) const {
  return sqlite3_column_type(statement_, column) == SQLITE_NULL;
}
std::int64_t SqliteStatement::Integer(int column) const { return sqlite3_column_int64(statement_, column); }
std::string_view SqliteStatement::Blob(int column) const {
  const auto* data = static_cast<const char*>(sqlite3_column_blob(statement_, column));
  if (data == nullptr) return {};
  return {data, static_cast<std::size_t>(sqlite3_column_bytes(statement_, column))};
}

absl::StatusOr<std::unique_ptr<SqliteDb>> SqliteDb::Open(const std::filesystem::path& path, const char* vfs,
                                                         bool read_only) {
  sqlite3* db = nullptr;
  const int mode = read_only ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE;
  const int result = sqlite3_open_v2(path.c_str(), &db, mode | SQLITE_OPEN_NOMUTEX, vfs);
  std::unique_ptr<SqliteDb> opened(new SqliteDb(db));
  if (db == nullptr) return Internal("spool: no memory for {}", path.string());
  if (result != SQLITE_OK) return SqliteStatus(db, path.string());
  sqlite3_extended_result_codes(db, 1);
  sqlite3_busy_timeout(db, 2000);
  return opened;
}

SqliteDb::~SqliteDb() { sqlite3_close(db_); }

absl::Status SqliteDb::Run(const char* sql) {
  if (sqlite3_exec(db_, sql, nullptr, nullptr, nullptr) == SQLITE_OK) return absl::OkStatus();
  return SqliteStatus(db_, sql);
}

absl::StatusOr<std::int64_t> SqliteDb::Integer(std::string_view sql) {
  SqliteStatement statement(db_, sql);
  BAYWARD_ASSIGN_OR_RETURN(const bool row, statement.Step());
  return row ? statement.Integer(0) : 0;
}

absl::StatusOr<std::string> SqliteDb::Text(std::string_view sql) {
  SqliteStatement statement(db_, sql);
  BAYWARD_ASSIGN_OR_RETURN(const bool row, statement.Step());
  return row ? std::string(statement.Blob(0)) : std::string();
}

void SqliteDb::Rollback() {
  full_ = (sqlite3_extended_errcode(db_) & 0xff) == SQLITE_FULL;
  if (sqlite3_get_autocommit(db_) == 0) sqlite3_exec(db_, "ROLLBACK", nullptr, nullptr, nullptr);
}

}  // namespace bayward
