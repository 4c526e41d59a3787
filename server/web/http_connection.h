// The connections of one HttpServer and what they share. Private to server/web: it shows Asio, and Beast
// stays in http_connection.cc.
#pragma once

#include <atomic>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <string_view>
#include <vector>

#include "absl/synchronization/mutex.h"
#include "boost/asio/ip/tcp.hpp"
#include "server/web/http_server.h"

namespace bayward {

// Thread-safe.
class HttpShared {
 public:
  // A connection as it is seen from here: both functions post to its strand.
  struct Handle {
    std::function<void()> stop;   // close it unless a request is being answered
    std::function<void()> abort;  // close it
  };
  enum class Admission { kServe, kRefuse, kDrop };

  HttpShared(const HttpServerOptions& the_options, std::vector<HttpRoute> routes, WorkerPool& workers,
             WorkerPool& scraper)
      : options(the_options), routes_(std::move(routes)), workers_(workers), scraper_(scraper) {}

  const HttpServerOptions options;

  // nullptr where no route fits.
  const HttpRoute* FindRoute(std::string_view path) const;
  WorkerPool& PoolOf(const HttpRoute& route) const;

  bool stopping() const { return stopping_.load(); }

  // A new connection, known by `id`: kServe while there is room, kRefuse for a few more that are told so,
  // kDrop beyond and while stopping; only the first two are taken down, and leave by Leave().
  Admission Enter(const void* id, Handle handle);
  void Leave(const void* id);

  // Memory for a request's body; false where too much is in flight.
  bool ReserveBody(std::uint64_t bytes);
  void ReleaseBody(std::uint64_t bytes);

  void BeginStop();
  void AwaitQuiet(absl::Time deadline);
  void AbortAll();

 private:
  const std::vector<HttpRoute> routes_;
  WorkerPool& workers_;
  WorkerPool& scraper_;
  std::atomic<bool> stopping_{false};
  std::atomic<std::uint64_t> body_bytes_{0};

  absl::Mutex mutex_;
  std::map<const void*, Handle> connections_ ABSL_GUARDED_BY(mutex_);
};

// Serves the connection on its own executor, which is a strand, until it ends.
void ServeHttp(boost::asio::ip::tcp::socket socket, std::shared_ptr<HttpShared> shared);

}  // namespace bayward
