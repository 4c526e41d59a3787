#include "server/store/copy_writer.h"

#include <libpq-fe.h>

#include <algorithm>
#include <limits>
#include <memory>

#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr std::string_view kHeader("PGCOPY\n\377\r\n\0\0\0\0\0\0\0\0\0", 19);
constexpr std::int64_t kPostgresEpochMicros = 946684800000000;  // 2000-01-01T00:00:00Z

using Result = std::unique_ptr<PGresult, decltype(&PQclear)>;

absl::Status Failure(PGconn* raw, const PGresult* result, std::string_view doing) {
  const char* state = result != nullptr ? PQresultErrorField(result, PG_DIAG_SQLSTATE) : nullptr;
  if (state == nullptr || PQstatus(raw) == CONNECTION_BAD) {
    return Unavailable("{}: the database connection broke: {}", doing, PQerrorMessage(raw));
  }
  return MakeStatus(CodeOfSqlState(state),
                    fmt::format("{}: PostgreSQL says {}: {}", doing, state, PQresultErrorMessage(result)));
}

}  // namespace

CopyRows::CopyRows(std::string table_and_columns, std::int16_t columns)
    : copy_("COPY " + std::move(table_and_columns) + " FROM STDIN (FORMAT binary)"), columns_(columns) {
  Clear();
}

void CopyRows::Clear() {
  buffer_.assign(kHeader.data(), kHeader.size());
  rows_ = 0;
}

void CopyRows::Big(std::uint64_t value, int bytes) {
  char out[8];
  for (int i = 0; i < bytes; ++i) out[i] = static_cast<char>(value >> (8 * (bytes - 1 - i)));
  buffer_.append(out, static_cast<std::size_t>(bytes));
}

void CopyRows::BeginRow() {
  Big(static_cast<std::uint16_t>(columns_), 2);
  ++rows_;
}

void CopyRows::Int16(std::int16_t value) {
  Big(2, 4);
  Big(static_cast<std::uint16_t>(value), 2);
}

void CopyRows::Int32(std::int32_t value) {
  Big(4, 4);
  Big(static_cast<std::uint32_t>(value), 4);
}

void CopyRows::Int64(std::int64_t value) {
  Big(8, 4);
  Big(static_cast<std::uint64_t>(value), 8);
}

void CopyRows::Bool(bool value) {
  Big(1, 4);
  Big(value ? 1 : 0, 1);
}

void CopyRows::Bytes(std::string_view value) {
  Big(value.size(), 4);
  buffer_.append(value);
}

void CopyRows::Timestamp(absl::Time value) {
  if (value == absl::InfiniteFuture()) return Int64(std::numeric_limits<std::int64_t>::max());
  if (value == absl::InfinitePast()) return Int64(std::numeric_limits<std::int64_t>::min());
  Int64(absl::ToUnixMicros(value) - kPostgresEpochMicros);
}

absl::Status CopyRows::Send(Connection& connection) {
  if (rows_ == 0) return absl::OkStatus();
  PGconn* raw = connection.raw();
  {
    Result begun(PQexec(raw, copy_.c_str()), &PQclear);
    if (PQresultStatus(begun.get()) != PGRES_COPY_IN) return Failure(raw, begun.get(), copy_);
  }
  Big(0xffff, 2);
  constexpr std::size_t kChunk = 256 * 1024;
  bool sent = true;
  for (std::size_t at = 0; sent && at < buffer_.size(); at += kChunk) {
    const std::size_t size = std::min(kChunk, buffer_.size() - at);
    sent = PQputCopyData(raw, buffer_.data() + at, static_cast<int>(size)) == 1;
  }
  Clear();
  if (!sent || PQputCopyEnd(raw, nullptr) != 1) {
    return Unavailable("{}: the database connection broke: {}", copy_, PQerrorMessage(raw));
  }
  absl::Status status;
  // The connection takes the next command only after every result of this one has been read.
  for (Result result(PQgetResult(raw), &PQclear); result != nullptr; result.reset(PQgetResult(raw))) {
    if (status.ok() && PQresultStatus(result.get()) != PGRES_COMMAND_OK) status = Failure(raw, result.get(), copy_);
  }
  return status;
}

}  // namespace bayward
