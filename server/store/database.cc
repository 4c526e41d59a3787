#include "server/store/database.h"

#include <cstdint>
#include <limits>

#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

template <class Transaction>
absl::Status RunIn(Connection& connection, std::string_view doing,
                   const std::function<absl::Status(pqxx::transaction_base&)>& body) {
  try {
    Transaction transaction(connection.pqxx());
    BAYWARD_RETURN_IF_ERROR(body(transaction));
    transaction.commit();
    return absl::OkStatus();
  } catch (...) {
    return StatusOfCurrentException(doing);
  }
}

}  // namespace

absl::StatusCode CodeOfSqlState(std::string_view state) {
  const std::string_view type = state.substr(0, 2);
  if (type == "08" || type == "53" || type == "57" || type == "58") return absl::StatusCode::kUnavailable;
  // No partition for a row: upkeep is behind, the row itself is good.
  if (state == "23514") return absl::StatusCode::kUnavailable;
  if (type == "40") return absl::StatusCode::kAborted;
  if (type == "22" || type == "23") return absl::StatusCode::kInvalidArgument;
  if (state == "55P03") return absl::StatusCode::kAborted;  // lock_timeout
  return absl::StatusCode::kInternal;
}

absl::Status StatusOfCurrentException(std::string_view doing) {
  try {
    throw;
  } catch (const pqxx::broken_connection& e) {
    return Unavailable("{}: the database connection broke: {}", doing, e.what());
  } catch (const pqxx::in_doubt_error& e) {
    return Unavailable("{}: unknown whether it was committed: {}", doing, e.what());
  } catch (const pqxx::sql_error& e) {
    return MakeStatus(CodeOfSqlState(e.sqlstate()),
                      fmt::format("{}: PostgreSQL says {}: {}", doing, e.sqlstate(), e.what()));
  } catch (const std::exception& e) {
    return Internal("{}: {}", doing, e.what());
  }
}

absl::StatusOr<std::unique_ptr<Connection>> Connection::Open(const std::string& url,
                                                             const ConnectionOptions& options) {
  try {
    auto connection = std::make_unique<PqxxConnection>(url);
    PGconn* raw = CapturingPolicy::last_opened_here();
    pqxx::nontransaction setup(*connection);
    setup.exec(fmt::format(
        "SET application_name = {}; SET statement_timeout = {}; SET idle_in_transaction_session_timeout = {}; "
        "SET timezone = 'UTC'; SET bytea_output = 'hex'; SET client_min_messages = 'warning'; "
        "SET synchronous_commit = 'on'",
        setup.quote(options.application_name), absl::ToInt64Milliseconds(options.statement_timeout),
        absl::ToInt64Milliseconds(options.idle_in_transaction_timeout)));
    if (url.find("host=/") == std::string::npos) setup.exec("SET tcp_user_timeout = 10000");
    return std::unique_ptr<Connection>(new Connection(std::move(connection), raw));
  } catch (const std::exception& e) {
    return Unavailable("connect to the database: {}", e.what());
  }
}

absl::StatusOr<std::unique_ptr<Connection>> Database::Open(const ConnectionOptions& options) const {
  return Connection::Open(url_, options);
}

absl::StatusOr<std::unique_ptr<Connection>> Database::Take() {
  {
    absl::MutexLock lock(&mutex_);
    while (!idle_.empty()) {
      std::unique_ptr<Connection> connection = std::move(idle_.back());
      idle_.pop_back();
      if (!connection->broken()) return connection;
    }
  }
  return Open({.statement_timeout = absl::Seconds(60)});
}

void Database::Return(std::unique_ptr<Connection> connection) {
  constexpr std::size_t kIdleMax = 8;
  absl::MutexLock lock(&mutex_);
  if (!connection->broken() && idle_.size() < kIdleMax) idle_.push_back(std::move(connection));
}

absl::Status Database::Write(std::string_view doing,
                             const std::function<absl::Status(pqxx::transaction_base&)>& body) {
  BAYWARD_ASSIGN_OR_RETURN(std::unique_ptr<Connection> connection, Take());
  absl::Status status = RunIn<pqxx::work>(*connection, doing, body);
  // A connection that failed for its own sake may be half dead without saying so.
  if (status.code() != absl::StatusCode::kUnavailable) Return(std::move(connection));
  return status;
}

absl::Status Database::Read(std::string_view doing,
                            const std::function<absl::Status(pqxx::transaction_base&)>& body) {
  using ReadTransaction = pqxx::transaction<pqxx::repeatable_read, pqxx::read_only>;
  BAYWARD_ASSIGN_OR_RETURN(std::unique_ptr<Connection> connection, Take());
  absl::Status status = RunIn<ReadTransaction>(*connection, doing, body);
  if (status.code() != absl::StatusCode::kUnavailable) {
    Return(std::move(connection));
    return status;
  }
  // Reading twice is harmless: one more try on a fresh connection hides a restarted database.
  BAYWARD_ASSIGN_OR_RETURN(connection, Open({.statement_timeout = absl::Seconds(60)}));
  status = RunIn<ReadTransaction>(*connection, doing, body);
  if (status.ok()) Return(std::move(connection));
  return status;
}

std::string ToTimestamptz(absl::Time time) {
  if (time == absl::InfiniteFuture()) return "infinity";
  if (time == absl::InfinitePast()) return "-infinity";
  return absl::FormatTime("%E4Y-%m-%d %H:%M:%E6S+00", time, absl::UTCTimeZone());
}

absl::Time FromMicros(std::int64_t micros) {
  if (micros == std::numeric_limits<std::int64_t>::max()) return absl::InfiniteFuture();
  if (micros == std::numeric_limits<std::int64_t>::min()) return absl::InfinitePast();
  return absl::FromUnixMicros(micros);
}

std::string MicrosOf(std::string_view column) {
  return fmt::format(
      "CASE {0} WHEN 'infinity' THEN 9223372036854775807 WHEN '-infinity' THEN (-9223372036854775808) "
      "ELSE (extract(epoch FROM {0}) * 1000000)::bigint END",
      column);
}

}  // namespace bayward
