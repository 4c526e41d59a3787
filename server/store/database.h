// Connections to PostgreSQL and transactions on them. Database is thread-safe and pools connections; a Connection
// belongs to one thread at a time and is thrown away once it is broken.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "pqxx/pqxx"
#include "server/store/connection_policy.h"

namespace bayward {

using PqxxConnection = pqxx::basic_connection_base<CapturingPolicy>;

struct ConnectionOptions {
  std::string application_name = "bayward-server";
  absl::Duration statement_timeout = absl::Seconds(10);
  absl::Duration idle_in_transaction_timeout = absl::Seconds(5);
};

class Connection {
 public:
  // Opens and sets the session up. Unavailable where the server does not answer.
  static absl::StatusOr<std::unique_ptr<Connection>> Open(const std::string& url, const ConnectionOptions& options);

  PqxxConnection& pqxx() { return *connection_; }
  // For binary COPY, which pqxx does not offer. Valid while the connection lives.
  PGconn* raw() { return raw_; }
  bool broken() const { return !connection_->is_open(); }

 private:
  Connection(std::unique_ptr<PqxxConnection> connection, PGconn* raw)
      : connection_(std::move(connection)), raw_(raw) {}

  std::unique_ptr<PqxxConnection> connection_;
  PGconn* raw_;
};

// Turns what pqxx throws into a status: Unavailable for a lost connection and SQLSTATE classes 08, 53, 57 and 58,
// Aborted for class 40 (run it again), InvalidArgument for 22 and 23, Internal otherwise. Call it in a catch block.
absl::Status StatusOfCurrentException(std::string_view doing);
// The same by SQLSTATE.
absl::StatusCode CodeOfSqlState(std::string_view state);

class Database {
 public:
  // `url` is a libpq connection string or URL.
  explicit Database(std::string url) : url_(std::move(url)) {}

  const std::string& url() const { return url_; }

  // Runs `body` in one transaction and commits it when `body` returns OK; otherwise, or when anything throws, nothing is
  // changed. `doing` names the work in messages ("list sites").
  absl::Status Write(std::string_view doing, const std::function<absl::Status(pqxx::transaction_base&)>& body);
  // The same in a read-only transaction with one snapshot of the data (REPEATABLE READ).
  absl::Status Read(std::string_view doing, const std::function<absl::Status(pqxx::transaction_base&)>& body);

  // A connection of the caller's own.
  absl::StatusOr<std::unique_ptr<Connection>> Open(const ConnectionOptions& options) const;

 private:
  absl::StatusOr<std::unique_ptr<Connection>> Take();
  void Return(std::unique_ptr<Connection> connection);

  const std::string url_;
  absl::Mutex mutex_;
  std::vector<std::unique_ptr<Connection>> idle_ ABSL_GUARDED_BY(mutex_);
};

// absl::Time as PostgreSQL reads a timestamptz; infinite times become 'infinity' and '-infinity'.
std::string ToTimestamptz(absl::Time time);
// What MicrosOf selected, as a time.
absl::Time FromMicros(std::int64_t micros);
// SQL that gives a timestamptz column as microseconds since 1970 in a bigint, its limits for the infinities.
std::string MicrosOf(std::string_view column);

}  // namespace bayward
