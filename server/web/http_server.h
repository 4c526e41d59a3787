// An HTTP/1.1 server for our own few routes: bounded headers, bodies, connections, memory and waiting times.
// Start() and Stop() from one thread; what routes hold must be thread-safe.
//
// What it answers by itself, always with a sentence: 400 (not HTTP, no Host), 404, 405 (with Allow), 408 (a
// request that does not arrive in time), 413, 429 (too many requests wait), 431, 503 (too many connections or
// too much in flight, stopping), 505. HEAD is GET without the body. A connection that sends nothing is closed
// in silence.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/api/worker_pool.h"

namespace bayward {

struct HttpRequest {
  std::string method;  // "GET", also for HEAD
  std::string path;    // from the slash, without the query, not decoded
  std::string query;   // behind the question mark
  std::string content_type;
  std::string body = {};
};

struct HttpResponse {
  int status = 200;
  std::string content_type = "text/plain; charset=utf-8";
  std::string body = {};
  std::shared_ptr<const std::string> shared_body = {};  // sent instead of `body` where it is set
  std::vector<std::pair<std::string, std::string>> headers = {};
};

// Where a route's answer is made.
enum class HttpRunsOn {
  kIoThread,     // must not block: it answers also when everything else is busy
  kWorkers,      // the pool given to Start()
  kScrapeThread  // one thread of the server's own, for what may take a while and must work when the workers
                 // are busy
};

// One path or all that begin with it. The routes are the place for more: files and event streams come in as
// further ones, streams with a way to answer in pieces beside `answer`.
struct HttpRoute {
  std::string path;                       // "/metrics"
  bool is_prefix = false;                 // also every path that begins so; the longest one that fits wins
  std::vector<std::string> methods = {};  // those answered, others get 405; empty: `refuse` decides
  HttpRunsOn runs_on = HttpRunsOn::kWorkers;
  std::function<HttpResponse(const HttpRequest&)> answer = {};
  // Optional: a response refuses the request before its body is read; that of the request is empty then. Io
  // thread.
  std::function<std::optional<HttpResponse>(const HttpRequest&)> refuse = {};
  // Optional: how the server's own refusals look on this route; plain text otherwise. Io thread.
  std::function<HttpResponse(int status, std::string_view message)> refusal = {};
};

struct HttpServerOptions {
  std::string address;  // "127.0.0.1:7443"; port 0 takes a free one
  std::uint32_t header_bytes_max = 16 * 1024;
  std::uint64_t body_bytes_max = std::uint64_t{4} * 1024 * 1024;
  std::uint64_t bodies_in_flight_bytes_max = std::uint64_t{64} * 1024 * 1024;  // over all connections
  std::size_t connections_max = 512;
  // From when a connection may send a request to the header's last byte; also how long it may be silent.
  absl::Duration header_timeout = absl::Seconds(30);
  absl::Duration body_timeout = absl::Seconds(30);
  absl::Duration write_timeout = absl::Seconds(30);  // for a whole response
};

class HttpServer {
 public:
  // Listens, with two io threads. InvalidArgument for an address that is none, Unavailable where it cannot be
  // had. `workers` outlives the server and is stopped after it.
  static absl::StatusOr<std::unique_ptr<HttpServer>> Start(const HttpServerOptions& options,
                                                           std::vector<HttpRoute> routes,
                                                           WorkerPool& workers);
  // Stops at once.
  virtual ~HttpServer() = default;

  virtual std::uint16_t port() const = 0;
  // Takes no more connections, closes those between requests, lets requests that have arrived be answered
  // until `deadline`, closes what is left. Idempotent.
  virtual void Stop(absl::Time deadline) = 0;
};

}  // namespace bayward
