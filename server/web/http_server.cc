#include "server/web/http_server.h"

#include <thread>

#include "absl/strings/numbers.h"
#include "boost/asio/io_context.hpp"
#include "boost/asio/ip/tcp.hpp"
#include "boost/asio/post.hpp"
#include "boost/asio/steady_timer.hpp"
#include "boost/asio/strand.hpp"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/web/http_connection.h"

namespace bayward {
namespace {

namespace asio = boost::asio;
using tcp = asio::ip::tcp;
using boost::system::error_code;

constexpr int kIoThreads = 2;
constexpr std::size_t kScrapesWaitingMax = 16;
// After accept() failed, for want of descriptors usually.
constexpr std::chrono::milliseconds kAcceptPause(100);

absl::StatusOr<tcp::endpoint> ParseAddress(const std::string& address) {
  const std::size_t colon = address.rfind(':');
  error_code error;
  std::uint32_t port = 0;
  if (colon != std::string::npos && absl::SimpleAtoi(address.substr(colon + 1), &port) && port <= 65535) {
    std::string host = address.substr(0, colon);
    if (host.starts_with('[') && host.ends_with(']')) host = host.substr(1, host.size() - 2);
    const asio::ip::address ip = asio::ip::make_address(host, error);
    if (!error) return tcp::endpoint(ip, static_cast<std::uint16_t>(port));
  }
  return InvalidArgument(
      "cannot listen on \"{}\": expected an IP address and a port, as 127.0.0.1:7443 or [::1]:7443", address);
}

class AsioHttpServer : public HttpServer {
 public:
  AsioHttpServer(const HttpServerOptions& options, std::vector<HttpRoute> routes, WorkerPool& workers)
      : scraper_(1, kScrapesWaitingMax),
        shared_(std::make_shared<HttpShared>(options, std::move(routes), workers, scraper_)),
        work_(context_.get_executor()),
        acceptor_(asio::make_strand(context_)),
        pause_(acceptor_.get_executor()) {}

  ~AsioHttpServer() override { Stop(absl::InfinitePast()); }

  absl::Status Listen() {
    const std::string& address = shared_->options.address;
    BAYWARD_ASSIGN_OR_RETURN(const tcp::endpoint endpoint, ParseAddress(address));
    error_code error;
    acceptor_.open(endpoint.protocol(), error);
    if (!error) acceptor_.set_option(asio::socket_base::reuse_address(true), error);
    if (!error) acceptor_.bind(endpoint, error);
    if (!error) acceptor_.listen(asio::socket_base::max_listen_connections, error);
    if (error) return Unavailable("cannot listen on {}: {}", address, error.message());
    port_ = acceptor_.local_endpoint(error).port();
    Accept();
    for (int i = 0; i < kIoThreads; ++i) threads_.emplace_back([this] { context_.run(); });
    return absl::OkStatus();
  }

  std::uint16_t port() const override { return port_; }

  void Stop(absl::Time deadline) override {
    if (stopped_) return;
    stopped_ = true;
    // On the acceptor's strand, so that none is accepted after the connections were told.
    asio::post(acceptor_.get_executor(), [this] {
      error_code ignored;
      acceptor_.close(ignored);
      pause_.cancel();
      shared_->BeginStop();
    });
    shared_->AwaitQuiet(deadline);
    shared_->AbortAll();
    work_.reset();
    for (std::thread& thread : threads_) thread.join();
    scraper_.Stop().IgnoreError();
  }

 private:
  void Accept() {
    acceptor_.async_accept(asio::make_strand(context_), [this](error_code error, tcp::socket socket) {
      if (!acceptor_.is_open()) return;
      if (!error) {
        ServeHttp(std::move(socket), shared_);
        return Accept();
      }
      spdlog::warn("an HTTP connection could not be accepted: {}", error.message());
      pause_.expires_after(kAcceptPause);
      pause_.async_wait([this](error_code) {
        if (acceptor_.is_open()) Accept();
      });
    });
  }

  WorkerPool scraper_;
  const std::shared_ptr<HttpShared> shared_;
  asio::io_context context_{kIoThreads};
  asio::executor_work_guard<asio::io_context::executor_type> work_;
  tcp::acceptor acceptor_;
  asio::steady_timer pause_;
  std::uint16_t port_ = 0;
  bool stopped_ = false;
  std::vector<std::thread> threads_;
};

}  // namespace

absl::StatusOr<std::unique_ptr<HttpServer>> HttpServer::Start(const HttpServerOptions& options,
                                                              std::vector<HttpRoute> routes,
                                                              WorkerPool& workers) {
  auto server = std::make_unique<AsioHttpServer>(options, std::move(routes), workers);
  BAYWARD_RETURN_IF_ERROR(server->Listen());
  return server;
}

}  // namespace bayward
