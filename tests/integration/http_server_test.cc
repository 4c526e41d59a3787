#include "server/web/http_server.h"

#include <atomic>
#include <memory>
#include <thread>
#include <vector>

#include "absl/synchronization/notification.h"
#include "absl/time/clock.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "nlohmann/json.hpp"
#include "server/web/routes.h"
#include "tests/support/echo_methods.h"
#include "tests/support/raw_http.h"

namespace bayward {
namespace {

using ::testing::HasSubstr;
using ::testing::StartsWith;
using Json = nlohmann::json;

template <class Condition>
bool Eventually(Condition condition) {
  const absl::Time deadline = absl::Now() + absl::Seconds(20);
  while (!condition()) {
    if (absl::Now() > deadline) return false;
    std::this_thread::yield();
  }
  return true;
}

class HttpServerTest : public ::testing::Test {
 protected:
  void Start(HttpServerOptions options = {}, int threads = 4, std::size_t waiting_max = 64) {
    workers_ = std::make_unique<WorkerPool>(threads, waiting_max);
    options.address = "127.0.0.1:0";
    auto metrics = std::make_shared<const std::string>("bayward_test 1\n");
    auto started = HttpServer::Start(
        options, MakeRoutes({echo_.table(), [metrics] { return metrics; }, [this] { return not_ready_; }}),
        *workers_);
    ASSERT_TRUE(started.ok()) << started.status();
    server_ = *std::move(started);
  }
  void TearDown() override { echo_.Release(); }

  std::uint16_t port() const { return server_->port(); }
  RawResponse AskFor(const std::string& request) {
    const auto response = Ask(port(), request);
    EXPECT_TRUE(response.has_value()) << "no answer to " << request.substr(0, 200);
    return response.value_or(RawResponse());
  }
  RawResponse Call(const std::string& name, const std::string& text) {
    return AskFor(MakePost(kEchoPath, Json({{"files", {{{"name", name}, {"text", text}}}}}).dump()));
  }
  // A connection whose request occupies a worker until the handlers are released.
  std::unique_ptr<RawHttp> Occupy() {
    const int before = echo_.begun();
    auto http = std::make_unique<RawHttp>(port());
    EXPECT_TRUE(http->Send(MakePost(kEchoPath, R"({"files": [{"name": "wait", "text": "waited"}]})")));
    EXPECT_TRUE(Eventually([&] { return echo_.begun() > before; }));
    return http;
  }

  std::string not_ready_;
  EchoMethods echo_;
  std::unique_ptr<WorkerPool> workers_;
  std::unique_ptr<HttpServer> server_;
};

TEST_F(HttpServerTest, AnRpcIsAnsweredInJson) {
  Start();
  const RawResponse response = Call("a", "hello");
  EXPECT_EQ(response.status, 200);
  EXPECT_EQ(response.headers.at("content-type"), "application/json");
  EXPECT_EQ(Json::parse(response.body), Json({{"changes", {"hello"}}, {"applied", false}}));
  EXPECT_TRUE(response.body.ends_with("\n"));
}

TEST_F(HttpServerTest, AnErrorIsJsonWithTheStatusThatFits) {
  Start();
  const std::tuple<int, const char*, int> cases[] = {
      {1, "CANCELLED", 499},           {2, "UNKNOWN", 500},
      {3, "INVALID_ARGUMENT", 400},    {4, "DEADLINE_EXCEEDED", 504},
      {5, "NOT_FOUND", 404},           {6, "ALREADY_EXISTS", 409},
      {7, "PERMISSION_DENIED", 403},   {8, "RESOURCE_EXHAUSTED", 429},
      {9, "FAILED_PRECONDITION", 412}, {10, "ABORTED", 409},
      {11, "OUT_OF_RANGE", 400},       {12, "UNIMPLEMENTED", 501},
      {13, "INTERNAL", 500},           {14, "UNAVAILABLE", 503},
      {15, "DATA_LOSS", 500},          {16, "UNAUTHENTICATED", 401}};
  for (const auto& [code, name, status] : cases) {
    const RawResponse response = Call("code " + std::to_string(code), "because \"ü\"");
    EXPECT_EQ(response.status, status) << name;
    EXPECT_EQ(Json::parse(response.body), Json({{"code", name}, {"message", "because \"ü\""}}));
  }
}

TEST_F(HttpServerTest, JsonThatDoesNotFitIs400) {
  Start();
  const RawResponse response = AskFor(MakePost(kEchoPath, R"({"filez": []})"));
  EXPECT_EQ(response.status, 400);
  EXPECT_EQ(Json::parse(response.body)["code"], "INVALID_ARGUMENT");
  EXPECT_THAT(response.body, HasSubstr("filez"));
}

TEST_F(HttpServerTest, AnUnknownMethodIs404AndToldWhatThereIs) {
  Start();
  const RawResponse response = AskFor(MakePost("/bayward.v1.Fleet/Sink", "{}"));
  EXPECT_EQ(response.status, 404);
  EXPECT_EQ(Json::parse(response.body)["code"], "UNIMPLEMENTED");
  EXPECT_THAT(response.body, HasSubstr("bayward.v1.Fleet has DeclareFleet"));
}

TEST_F(HttpServerTest, AnRpcIsAskedByPostOnly) {
  Start();
  for (const char* method : {"GET", "PUT", "DELETE", "OPTIONS"}) {
    const RawResponse response = AskFor(MakeRequest(method, kEchoPath));
    EXPECT_EQ(response.status, 405) << method;
    EXPECT_EQ(response.headers.at("allow"), "POST");
    EXPECT_EQ(Json::parse(response.body)["code"], "INVALID_ARGUMENT");
  }
  EXPECT_EQ(echo_.begun(), 0);
}

TEST_F(HttpServerTest, AnRpcTakesJsonOnly) {
  Start();
  const auto post = [this](const std::string& type) {
    return AskFor(MakeRequest("POST", kEchoPath, "{}", {{"Content-Type", type}})).status;
  };
  EXPECT_EQ(post("application/json"), 200);
  EXPECT_EQ(post("Application/JSON; charset=utf-8"), 200);
  EXPECT_EQ(post("application/x-www-form-urlencoded"), 415);
  EXPECT_EQ(post("application/jsonp"), 415);
  const RawResponse without = AskFor(MakeRequest("POST", kEchoPath, "{}"));
  EXPECT_EQ(without.status, 415);
  EXPECT_THAT(without.body, HasSubstr("expected Content-Type: application/json"));
}

TEST_F(HttpServerTest, ThePagesAreThere) {
  Start();
  EXPECT_THAT(AskFor(MakeRequest("GET", "/")).body, HasSubstr("/metrics"));
  EXPECT_EQ(AskFor(MakeRequest("GET", "/alive")).body, "alive\n");
  const RawResponse metrics = AskFor(MakeRequest("GET", "/metrics?x=1"));
  EXPECT_EQ(metrics.status, 200);
  EXPECT_EQ(metrics.headers.at("content-type"), "text/plain; version=0.0.4; charset=utf-8");
  EXPECT_EQ(metrics.body, "bayward_test 1\n");
  EXPECT_EQ(AskFor("GET http://localhost/alive HTTP/1.1\r\nHost: localhost\r\n\r\n").status, 200);
}

TEST_F(HttpServerTest, ReadyOrTheReasonWhyNot) {
  Start();
  EXPECT_EQ(AskFor(MakeRequest("GET", "/ready")).status, 200);
  server_.reset();
  not_ready_ = "the database has not answered for 20s";
  Start();
  const RawResponse response = AskFor(MakeRequest("GET", "/ready"));
  EXPECT_EQ(response.status, 503);
  EXPECT_EQ(response.body, "not ready: the database has not answered for 20s\n");
  EXPECT_EQ(AskFor(MakeRequest("GET", "/alive")).status, 200);
}

TEST_F(HttpServerTest, UnknownPathsAndMethodsAreRefusedInWords) {
  Start();
  for (const char* path : {"/metricss", "/alive/", "/../etc/passwd", "/bayward", "*"}) {
    EXPECT_EQ(AskFor(MakeRequest("GET", path)).status, 404) << path;
  }
  const RawResponse response = AskFor(MakeRequest("POST", "/metrics", "x"));
  EXPECT_EQ(response.status, 405);
  EXPECT_EQ(response.headers.at("allow"), "GET, HEAD");
  EXPECT_THAT(response.body, HasSubstr("POST is not answered at /metrics: expected GET"));
  EXPECT_EQ(AskFor(MakeRequest("BREW", "/metrics")).status, 405);
}

TEST_F(HttpServerTest, HeadIsGetWithoutTheBody) {
  Start();
  RawHttp http(port());
  ASSERT_TRUE(http.Send(MakeRequest("HEAD", "/metrics") + MakeRequest("GET", "/alive")));
  const auto head = http.Read(true);
  ASSERT_TRUE(head);
  EXPECT_EQ(head->status, 200);
  EXPECT_EQ(head->headers.at("content-length"), "15");
  // The next answer begins right behind the header.
  const auto next = http.Read();
  ASSERT_TRUE(next);
  EXPECT_EQ(next->body, "alive\n");
}

TEST_F(HttpServerTest, AConnectionServesManyRequests) {
  Start();
  RawHttp http(port());
  std::string pipelined;
  for (int i = 0; i < 20; ++i) {
    pipelined += MakePost(kEchoPath, Json({{"files", {{{"text", std::to_string(i)}}}}}).dump());
  }
  ASSERT_TRUE(http.Send(pipelined));
  for (int i = 0; i < 20; ++i) {
    const auto response = http.Read();
    ASSERT_TRUE(response);
    EXPECT_EQ(Json::parse(response->body)["changes"][0], std::to_string(i));
  }
  ASSERT_TRUE(http.Send(MakeRequest("GET", "/alive", {}, {{"Connection", "close"}})));
  EXPECT_EQ(http.Read()->headers.at("connection"), "close");
  EXPECT_TRUE(http.ReadsEnd());
}

TEST_F(HttpServerTest, Http10ClosesAfterItsAnswer) {
  Start();
  RawHttp http(port());
  ASSERT_TRUE(http.Send("GET /alive HTTP/1.0\r\n\r\n"));
  EXPECT_EQ(http.Read()->status, 200);
  EXPECT_TRUE(http.ReadsEnd());
}

TEST_F(HttpServerTest, WhatIsNoHttpIsRefused) {
  Start();
  const std::pair<std::string, int> cases[] = {
      {"hello\r\n\r\n", 400},
      {"GET /alive HTTP/1.1\r\n\r\n", 400},  // no Host
      {"GET /alive HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", 400},
      {"GET /alive HTTP/1.1\r\nHost: a\r\nno colon\r\n\r\n", 400},
      {"GET /al\x01ive HTTP/1.1\r\nHost: a\r\n\r\n", 400},
      {"POST /bayward.v1.Fleet/DeclareFleet HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\n"
       "Content-Length: minus\r\n\r\n",
       400},
      // Two lengths: which of them holds, a proxy before us may judge otherwise.
      {"POST /bayward.v1.Fleet/DeclareFleet HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\n"
       "Content-Length: 2\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
       400},
      {"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", 400}};
  for (const auto& [request, status] : cases) {
    RawHttp http(port());
    ASSERT_TRUE(http.Send(request));
    const auto response = http.Read();
    ASSERT_TRUE(response) << request;
    EXPECT_EQ(response->status, status) << request;
    EXPECT_FALSE(response->body.empty());
    EXPECT_EQ(response->headers.at("connection"), "close");
  }
}

TEST_F(HttpServerTest, AHeaderBeyondTheLimitIs431) {
  Start();
  EXPECT_EQ(AskFor(MakeRequest("GET", "/alive", {}, {{"X", std::string(15 * 1024, 'x')}})).status, 200);
  const RawResponse response = AskFor(MakeRequest("GET", "/alive", {}, {{"X", std::string(17 * 1024, 'x')}}));
  EXPECT_EQ(response.status, 431);
  EXPECT_EQ(response.body, "The header is over 16384 bytes.\n");
  // A header without end is refused at the limit, not when it ends.
  RawHttp http(port());
  ASSERT_TRUE(http.Send("GET /alive HTTP/1.1\r\nX: " + std::string(40 * 1024, 'x')));
  EXPECT_EQ(http.Read()->status, 431);
}

TEST_F(HttpServerTest, ABodyBeyondTheLimitIs413) {
  Start();
  const std::string fits = R"({"files": [{"text": ")" + std::string(4 * 1024 * 1024 - 100, 'x') + R"("}]})";
  EXPECT_EQ(AskFor(MakePost(kEchoPath, fits)).status, 200);
  const RawResponse response = AskFor(MakePost(kEchoPath, fits + std::string(200, ' ')));
  EXPECT_EQ(response.status, 413);
  EXPECT_EQ(Json::parse(response.body)["code"], "RESOURCE_EXHAUSTED");
  EXPECT_EQ(echo_.begun(), 1);
}

TEST_F(HttpServerTest, AChunkedBodyIsTakenAndBounded) {
  HttpServerOptions options;
  options.body_bytes_max = 100;
  Start(options);
  const auto chunked = [this](const std::string& body) {
    RawHttp http(port());
    char size[16];
    snprintf(size, sizeof(size), "%zx\r\n", body.size());
    EXPECT_TRUE(
        http.Send(MakeRequest("POST", kEchoPath, {},
                              {{"Content-Type", "application/json"}, {"Transfer-Encoding", "chunked"}}) +
                  size + body + "\r\n0\r\n\r\n"));
    return http.Read().value_or(RawResponse()).status;
  };
  EXPECT_EQ(chunked(R"({"files": [{"text": "in a chunk"}]})"), 200);
  EXPECT_EQ(chunked(std::string(200, ' ')), 413);
}

TEST_F(HttpServerTest, AClientThatAsksBeforeItSendsIsToldToGoOn) {
  Start();
  RawHttp http(port());
  ASSERT_TRUE(http.Send(MakeRequest(
      "POST", kEchoPath, {},
      {{"Content-Type", "application/json"}, {"Content-Length", "2"}, {"Expect", "100-continue"}})));
  EXPECT_EQ(http.Read()->status, 100);
  ASSERT_TRUE(http.Send("{}"));
  EXPECT_EQ(http.Read()->status, 200);
  // One that would be refused is refused before it sends.
  RawHttp other(port());
  ASSERT_TRUE(
      other.Send(MakeRequest("POST", kEchoPath, {}, {{"Content-Length", "2"}, {"Expect", "100-continue"}})));
  EXPECT_EQ(other.Read()->status, 415);
}

TEST_F(HttpServerTest, ARequestThatDoesNotArriveInTimeIs408) {
  HttpServerOptions options;
  options.header_timeout = absl::Milliseconds(300);
  options.body_timeout = absl::Milliseconds(300);
  Start(options);
  RawHttp header(port()), body(port()), silent(port()), trickling(port());
  ASSERT_TRUE(header.Send("GET /alive HTTP/1.1\r\nHost: "));
  ASSERT_TRUE(body.Send(
      MakeRequest("POST", kEchoPath, {}, {{"Content-Type", "application/json"}, {"Content-Length", "10"}}) +
      "{"));
  // Sending a little now and then does not win more time.
  const absl::Time begun = absl::Now();
  std::thread trickle([&] {
    trickling.Send("GET /alive HTTP/1.1\r\nX: ");
    for (int i = 0; i < 10'000 && absl::Now() < begun + absl::Seconds(20); ++i) {
      if (!trickling.Send("x")) return;
      absl::Notification never;
      never.WaitForNotificationWithTimeout(absl::Milliseconds(20));
    }
  });
  EXPECT_EQ(header.Read().value_or(RawResponse()).status, 408);
  const auto late_body = body.Read();
  ASSERT_TRUE(late_body);
  EXPECT_EQ(late_body->status, 408);
  EXPECT_EQ(Json::parse(late_body->body)["code"], "DEADLINE_EXCEEDED");
  EXPECT_TRUE(silent.ReadsEnd());
  EXPECT_EQ(trickling.Read().value_or(RawResponse()).status, 408);
  trickle.join();
  EXPECT_LT(absl::Now() - begun, absl::Seconds(15));
  EXPECT_EQ(Call("a", "b").status, 200);
}

TEST_F(HttpServerTest, ConnectionsBeyondTheBoundAreToldSo) {
  HttpServerOptions options;
  options.connections_max = 2;
  Start(options);
  auto first = std::make_unique<RawHttp>(port());
  RawHttp second(port());
  for (RawHttp* http : {first.get(), &second}) {
    ASSERT_TRUE(http->Send(MakeRequest("GET", "/alive")));
    EXPECT_EQ(http->Read()->status, 200);
  }
  const RawResponse refused = AskFor(MakeRequest("GET", "/alive"));
  EXPECT_EQ(refused.status, 503);
  EXPECT_EQ(refused.headers.at("retry-after"), "1");
  EXPECT_THAT(refused.body, StartsWith("As many connections are open here as may be"));
  first.reset();
  EXPECT_TRUE(Eventually([&] { return AskFor(MakeRequest("GET", "/alive")).status == 200; }));
}

TEST_F(HttpServerTest, UploadsBeyondWhatMemoryIsThereForAreToldSo) {
  HttpServerOptions options;
  options.bodies_in_flight_bytes_max = 1000;
  Start(options);
  {
    RawHttp slow(port());
    ASSERT_TRUE(slow.Send(MakeRequest(
        "POST", kEchoPath, {},
        {{"Content-Type", "application/json"}, {"Content-Length", "800"}, {"Expect", "100-continue"}})));
    ASSERT_EQ(slow.Read()->status, 100);
    const std::string large = "{}" + std::string(400, ' ');
    EXPECT_EQ(AskFor(MakePost(kEchoPath, large)).status, 503);
    EXPECT_EQ(AskFor(MakePost(kEchoPath, "{}")).status, 200);
  }
  EXPECT_TRUE(
      Eventually([&] { return AskFor(MakePost(kEchoPath, "{}" + std::string(400, ' '))).status == 200; }));
}

TEST_F(HttpServerTest, AFullPoolRefusesRpcsAndStillTellsHowItIs) {
  Start({}, 1, 1);
  const auto running = Occupy();
  RawHttp waiting(port());
  ASSERT_TRUE(waiting.Send(MakePost(kEchoPath, R"({"files": [{"text": "waits"}]})")));
  ASSERT_TRUE(Eventually([this] { return workers_->waiting() == 1; }));
  const RawResponse refused = Call("a", "b");
  EXPECT_EQ(refused.status, 429);
  EXPECT_EQ(refused.headers.at("retry-after"), "1");
  EXPECT_EQ(Json::parse(refused.body)["code"], "RESOURCE_EXHAUSTED");
  EXPECT_EQ(AskFor(MakeRequest("GET", "/alive")).status, 200);
  EXPECT_EQ(AskFor(MakeRequest("GET", "/ready")).status, 200);
  EXPECT_EQ(AskFor(MakeRequest("GET", "/metrics")).status, 200);
  echo_.Release();
  EXPECT_EQ(running->Read()->status, 200);
  EXPECT_EQ(waiting.Read()->status, 200);
  EXPECT_EQ(Call("a", "b").status, 200);
}

TEST_F(HttpServerTest, ManyRequestsAtOnceEachGetTheirOwnAnswer) {
  Start();
  std::atomic<int> right{0};
  std::vector<std::thread> clients;
  for (int i = 0; i < 64; ++i) {
    clients.emplace_back([this, i, &right] {
      const std::string text = "caller " + std::to_string(i);
      const RawResponse response = Call("a", text);
      if (response.status == 200 && Json::parse(response.body)["changes"][0] == text) ++right;
    });
  }
  for (std::thread& client : clients) client.join();
  EXPECT_EQ(right.load(), 64);
}

TEST_F(HttpServerTest, StoppingLetsRequestsInFlightEndAndClosesIdleConnections) {
  Start();
  const auto running = Occupy();
  RawHttp idle(port()), half(port());
  ASSERT_TRUE(idle.Send(MakeRequest("GET", "/alive")));
  ASSERT_TRUE(idle.Read());
  ASSERT_TRUE(half.Send("GET /alive HTTP/1.1\r\n"));
  const std::uint16_t old_port = port();
  std::thread stopping([this] { server_->Stop(absl::Now() + absl::Seconds(20)); });
  EXPECT_TRUE(idle.ReadsEnd());
  EXPECT_FALSE(half.Read());
  EXPECT_TRUE(Eventually([&] { return !RawHttp(old_port).connected(); }));
  echo_.Release();
  const auto response = running->Read();
  ASSERT_TRUE(response);
  EXPECT_EQ(response->status, 200);
  EXPECT_EQ(response->headers.at("connection"), "close");
  EXPECT_TRUE(running->ReadsEnd());
  stopping.join();
  server_->Stop(absl::Now());
}

TEST_F(HttpServerTest, StoppingDoesNotWaitLongerThanItMay) {
  Start();
  const auto running = Occupy();
  const absl::Time begun = absl::Now();
  server_->Stop(absl::Now() + absl::Milliseconds(100));
  EXPECT_LT(absl::Now() - begun, absl::Seconds(10));
  EXPECT_FALSE(running->Read());
  // The handler ends after the server is gone; its answer goes nowhere.
  server_.reset();
  echo_.Release();
  EXPECT_TRUE(workers_->Stop().ok());
  EXPECT_EQ(echo_.begun(), 1);
}

TEST_F(HttpServerTest, AStoppedPoolIsAnsweredFor) {
  Start({}, 1, 8);
  const auto running = Occupy();
  RawHttp waiting(port());
  ASSERT_TRUE(waiting.Send(MakePost(kEchoPath, "{}")));
  ASSERT_TRUE(Eventually([this] { return workers_->waiting() == 1; }));
  EXPECT_EQ(workers_->Stop(absl::Now()).code(), absl::StatusCode::kDeadlineExceeded);
  const auto response = waiting.Read();
  ASSERT_TRUE(response);
  EXPECT_EQ(response->status, 503);
  EXPECT_EQ(Json::parse(response->body)["code"], "UNAVAILABLE");
  echo_.Release();
}

TEST_F(HttpServerTest, AnAddressThatCannotBeHadIsSaidSo) {
  Start();
  const auto start = [this](const std::string& address) {
    HttpServerOptions options;
    options.address = address;
    return HttpServer::Start(options, {}, *workers_).status();
  };
  for (const char* address : {"", "7443", "localhost:7443", "127.0.0.1:", "127.0.0.1:65536", "127.0.0.1:x"}) {
    EXPECT_EQ(start(address).code(), absl::StatusCode::kInvalidArgument) << address;
  }
  const absl::Status taken = start("127.0.0.1:" + std::to_string(port()));
  EXPECT_EQ(taken.code(), absl::StatusCode::kUnavailable);
  EXPECT_THAT(Message(taken), HasSubstr("in use"));
}

}  // namespace
}  // namespace bayward
