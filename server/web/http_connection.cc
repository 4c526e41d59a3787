#include "server/web/http_connection.h"

#include <array>
#include <chrono>
#include <optional>
#include <utility>

#include "absl/time/clock.h"
#include "boost/asio/dispatch.hpp"
#include "boost/asio/post.hpp"
#include "boost/asio/steady_timer.hpp"
#include "boost/beast/core/flat_buffer.hpp"
#include "boost/beast/http.hpp"
#include "fmt/format.h"
#include "fmt/ranges.h"

namespace bayward {
namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using boost::system::error_code;
using tcp = asio::ip::tcp;

using Parser = http::request_parser<http::string_body>;
using Response = http::response<http::span_body<const char>>;

constexpr std::size_t kReadBufferMax = std::size_t{128} * 1024;
// What a refused client still sends is read and thrown away, within these bounds: closing at once would reset
// the connection, and the client might never see why it was refused.
constexpr std::size_t kDiscardedBytesMax = std::size_t{16} * 1024 * 1024;
constexpr absl::Duration kDiscardTimeout = absl::Seconds(2);

std::string Text(beast::string_view text) { return {text.data(), text.size()}; }

// Method, path, query and content type of a header; a target in absolute form loses its scheme and host.
HttpRequest Head(const Parser::value_type& message) {
  HttpRequest request;
  request.method = message.method() == http::verb::head ? "GET" : Text(message.method_string());
  request.content_type = Text(message[http::field::content_type]);
  std::string target = Text(message.target());
  if (target.starts_with("http://")) target.erase(0, std::min(target.find('/', 7), target.size()));
  const std::size_t question = target.find('?');
  request.path = target.substr(0, question);
  if (question != std::string::npos) request.query = target.substr(question + 1);
  return request;
}

// Carries one answer from whatever thread made it to the connection, unless that has been cut off before.
// Thread-safe.
class Exchange {
 public:
  explicit Exchange(std::function<void(HttpResponse)> deliver) : deliver_(std::move(deliver)) {}

  // The lock is held while the answer is posted: once CutOff() has returned, nobody touches the connection's
  // io context.
  void Answer(HttpResponse response) {
    absl::MutexLock lock(&mutex_);
    if (deliver_) std::exchange(deliver_, nullptr)(std::move(response));
  }
  void CutOff() {
    absl::MutexLock lock(&mutex_);
    deliver_ = nullptr;
  }

 private:
  absl::Mutex mutex_;
  std::function<void(HttpResponse)> deliver_ ABSL_GUARDED_BY(mutex_);
};

// One connection. Everything here runs on its strand; pending operations and an unanswered exchange keep it
// alive.
class Connection : public std::enable_shared_from_this<Connection> {
 public:
  Connection(tcp::socket socket, std::shared_ptr<HttpShared> shared)
      : socket_(std::move(socket)), timer_(socket_.get_executor()), shared_(std::move(shared)) {}

  ~Connection() {
    ReleaseBody();
    if (entered_) shared_->Leave(this);
  }

  void Begin() {
    const auto post = [weak = weak_from_this(),
                       executor = socket_.get_executor()](void (Connection::*action)()) {
      return [weak, executor, action] {
        asio::post(executor, [weak, action] {
          if (const auto self = weak.lock()) (self.get()->*action)();
        });
      };
    };
    const auto admission = shared_->Enter(this, {post(&Connection::OnStop), post(&Connection::Abort)});
    entered_ = admission != HttpShared::Admission::kDrop;
    if (admission == HttpShared::Admission::kServe) return ReadHeader();
    if (admission == HttpShared::Admission::kDrop) return Close();
    unread_ = true;
    Fail(503, "As many connections are open here as may be: come back after a pause.");
  }

 private:
  void ReadHeader() {
    if (shared_->stopping()) return Close();
    parser_.emplace();
    parser_->header_limit(shared_->options.header_bytes_max);
    parser_->body_limit(shared_->options.body_bytes_max);
    head_only_ = false;
    route_ = nullptr;
    between_requests_ = true;
    unread_ = true;
    Arm(shared_->options.header_timeout);
    http::async_read_header(
        socket_, buffer_, *parser_,
        [self = shared_from_this()](error_code error, std::size_t) { self->OnHeader(error); });
  }

  void OnHeader(error_code error) {
    timer_.cancel();
    between_requests_ = false;
    if (timed_out_ && !parser_->got_some() && buffer_.size() == 0) return Close();
    const Parser::value_type& message = parser_->get();
    request_ = Head(message);
    head_only_ = message.method() == http::verb::head;
    route_ = shared_->FindRoute(request_.path);
    if (error) return FailRead(error);
    if (message.version() != 11 && message.version() != 10)
      return Fail(505, "Only HTTP/1.1 and 1.0 are spoken here.");
    if (message.version() == 11 && message.count(http::field::host) != 1) {
      return Fail(400, "Expected one Host field in the header.");
    }
    if (route_ == nullptr) return Fail(404, "Nothing is here: GET / says what there is.");
    if (!route_->methods.empty() && std::ranges::count(route_->methods, request_.method) == 0)
      return FailMethod();
    if (route_->refuse) {
      if (auto refused = route_->refuse(request_)) return Write(*std::move(refused), false);
    }
    if (parser_->is_done()) return Dispatch();
    PrepareBody();
  }

  void PrepareBody() {
    const auto length = parser_->content_length();
    reserved_ = length ? *length : shared_->options.body_bytes_max;
    if (!shared_->ReserveBody(reserved_)) {
      reserved_ = 0;
      return Fail(503, "As much is being uploaded here as may be: come back after a pause.");
    }
    Arm(shared_->options.body_timeout);
    if (!beast::iequals(parser_->get()[http::field::expect], "100-continue")) return ReadBody();
    static constexpr std::string_view kGoOn = "HTTP/1.1 100 Continue\r\n\r\n";
    asio::async_write(socket_, asio::buffer(kGoOn),
                      [self = shared_from_this()](error_code error, std::size_t) {
                        if (error) return self->FailRead(error);
                        self->ReadBody();
                      });
  }

  void ReadBody() {
    http::async_read(socket_, buffer_, *parser_, [self = shared_from_this()](error_code error, std::size_t) {
      self->timer_.cancel();
      if (error) return self->FailRead(error);
      self->request_.body = std::move(self->parser_->get().body());
      self->Dispatch();
    });
  }

  // Has the answer made where the route wants it.
  void Dispatch() {
    unread_ = false;
    keep_alive_ = parser_->get().keep_alive();
    if (route_->runs_on == HttpRunsOn::kIoThread) return Write(route_->answer(request_), keep_alive_);
    // The reference moves on to the strand, so that the connection never ends on another thread.
    exchange_ = std::make_shared<Exchange>([self = shared_from_this()](HttpResponse response) mutable {
      const auto executor = self->socket_.get_executor();
      asio::post(executor, [self = std::move(self), response = std::move(response)]() mutable {
        self->exchange_ = nullptr;
        self->Write(std::move(response), self->keep_alive_);
      });
    });
    // `shared` keeps the route, which may outlive the connection.
    auto work = [shared = shared_, route = route_, exchange = exchange_, request = std::move(request_)] {
      exchange->Answer(route->answer(request));
    };
    auto abandoned = [shared = shared_, route = route_, exchange = exchange_] {
      exchange->Answer(Refusal(route, 503, "The server is stopping: come back after a pause."));
    };
    if (!shared_->PoolOf(*route_).Run(std::move(work), std::move(abandoned))) {
      exchange_->CutOff();
      exchange_ = nullptr;
      Write(Refusal(route_, 429, "As many requests wait here as may: come back after a pause."), keep_alive_);
    }
  }

  static HttpResponse Refusal(const HttpRoute* route, int status, std::string_view message) {
    HttpResponse response{.status = status, .body = std::string(message) + "\n"};
    if (route != nullptr && route->refusal) response = route->refusal(status, message);
    if (status == 429 || status == 503) response.headers.emplace_back("Retry-After", "1");
    return response;
  }

  void Fail(int status, std::string_view message) { Write(Refusal(route_, status, message), false); }

  void FailMethod() {
    const std::string allowed = fmt::format("{}", fmt::join(route_->methods, ", "));
    const std::string head = std::ranges::count(route_->methods, "GET") != 0 ? ", HEAD" : "";
    HttpResponse response = Refusal(
        route_, 405,
        fmt::format("{} is not answered at {}: expected {}.", request_.method, request_.path, allowed));
    response.headers.emplace_back("Allow", allowed + head);
    Write(std::move(response), false);
  }

  void FailRead(error_code error) {
    if (timed_out_) return Fail(408, "The request did not arrive in time.");
    if (error == http::error::header_limit || error == http::error::buffer_overflow) {
      return Fail(431, fmt::format("The header is over {} bytes.", shared_->options.header_bytes_max));
    }
    if (error == http::error::body_limit) {
      return Fail(413, fmt::format("The body is over {} bytes.", shared_->options.body_bytes_max));
    }
    // Beast's own category: what came is no HTTP. Anything else is the connection's end.
    if (error.category() == make_error_code(http::error::bad_method).category() &&
        error != http::error::end_of_stream && error != http::error::partial_message) {
      return Fail(400, fmt::format("What came is not an HTTP/1.1 request ({}).", error.message()));
    }
    Close();
  }

  void Write(HttpResponse answer, bool keep) {
    answer_ = std::move(answer);
    const std::string& body = answer_.shared_body != nullptr ? *answer_.shared_body : answer_.body;
    response_ = Response();
    response_.version(11);
    response_.result(static_cast<unsigned>(answer_.status));
    if (answer_.status == 499) response_.reason("Client Gave Up");
    response_.set(http::field::date,
                  absl::FormatTime("%a, %d %b %Y %H:%M:%S GMT", absl::Now(), absl::UTCTimeZone()));
    response_.set(http::field::content_type, answer_.content_type);
    response_.set(http::field::cache_control, "no-store");
    response_.set("X-Content-Type-Options", "nosniff");
    for (const auto& [name, value] : answer_.headers) response_.set(name, value);
    response_.keep_alive(keep && !shared_->stopping());
    response_.content_length(body.size());
    if (!head_only_) response_.body() = {body.data(), body.size()};
    serializer_.emplace(response_);
    Arm(shared_->options.write_timeout);
    const auto done = [self = shared_from_this()](error_code error, std::size_t) { self->OnWritten(error); };
    if (head_only_) {
      http::async_write_header(socket_, *serializer_, done);
    } else {
      http::async_write(socket_, *serializer_, done);
    }
  }

  void OnWritten(error_code error) {
    timer_.cancel();
    ReleaseBody();
    const bool more = response_.keep_alive();
    serializer_.reset();
    response_ = Response();
    answer_ = HttpResponse();
    request_ = HttpRequest();
    if (error) return Close();
    if (more) return ReadHeader();
    error_code ignored;
    socket_.shutdown(tcp::socket::shutdown_send, ignored);
    if (!unread_) return Close();
    Arm(kDiscardTimeout);
    Discard();
  }

  void Discard() {
    socket_.async_read_some(asio::buffer(scratch_),
                            [self = shared_from_this()](error_code error, std::size_t bytes) {
                              self->discarded_ += bytes;
                              if (error || self->discarded_ > kDiscardedBytesMax || self->shared_->stopping())
                                return self->Close();
                              self->Discard();
                            });
  }

  // Ends the operation in progress after `timeout`, once.
  void Arm(absl::Duration timeout) {
    timed_out_ = false;
    timer_.expires_after(absl::ToChronoNanoseconds(timeout));
    timer_.async_wait([weak = weak_from_this()](error_code error) {
      const auto self = weak.lock();
      // A wait that had ended just before it was armed again is not this one.
      if (error || self == nullptr || self->timer_.expiry() > std::chrono::steady_clock::now()) return;
      self->timed_out_ = true;
      error_code ignored;
      self->socket_.cancel(ignored);
    });
  }

  void OnStop() {
    if (between_requests_) Close();
  }

  void Abort() {
    if (exchange_ != nullptr) exchange_->CutOff();
    exchange_ = nullptr;
    Close();
  }

  void Close() {
    timer_.cancel();
    error_code ignored;
    socket_.close(ignored);
  }

  void ReleaseBody() { shared_->ReleaseBody(std::exchange(reserved_, 0)); }

  tcp::socket socket_;
  asio::steady_timer timer_;
  const std::shared_ptr<HttpShared> shared_;
  beast::flat_buffer buffer_{kReadBufferMax};
  std::optional<Parser> parser_;
  std::optional<http::response_serializer<http::span_body<const char>>> serializer_;
  const HttpRoute* route_ = nullptr;
  HttpRequest request_;
  HttpResponse answer_;  // what response_ shows
  Response response_;
  std::shared_ptr<Exchange> exchange_;  // while an answer is being made elsewhere
  std::array<char, 4096> scratch_;
  std::size_t discarded_ = 0;
  std::uint64_t reserved_ = 0;
  bool entered_ = false;
  bool between_requests_ = false;
  bool unread_ = false;  // the client may still be sending
  bool head_only_ = false;
  bool keep_alive_ = false;
  bool timed_out_ = false;
};

}  // namespace

void ServeHttp(tcp::socket socket, std::shared_ptr<HttpShared> shared) {
  const auto executor = socket.get_executor();
  asio::dispatch(executor, [connection = std::make_shared<Connection>(std::move(socket), std::move(shared))] {
    connection->Begin();
  });
}

}  // namespace bayward
