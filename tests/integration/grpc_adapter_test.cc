#include "server/api/grpc_adapter.h"

#include <atomic>
#include <thread>
#include <vector>

#include "absl/time/clock.h"
#include "bayward/v1/figures.grpc.pb.h"
#include "bayward/v1/fleet.grpc.pb.h"
#include "gmock/gmock.h"
#include "grpcpp/generic/generic_stub.h"
#include "grpcpp/grpcpp.h"
#include "gtest/gtest.h"
#include "tests/support/echo_methods.h"

namespace bayward {
namespace {

using ::testing::HasSubstr;

// Waits until it holds; false after 20 s.
template <class Condition>
bool Eventually(Condition condition) {
  const absl::Time deadline = absl::Now() + absl::Seconds(20);
  while (!condition()) {
    if (absl::Now() > deadline) return false;
    std::this_thread::yield();
  }
  return true;
}

class GrpcAdapterTest : public ::testing::Test {
 protected:
  void Start(int threads, std::size_t waiting_max,
             int receive_bytes_max = static_cast<int>(kRequestBytesMax)) {
    workers_ = std::make_unique<WorkerPool>(threads, waiting_max);
    adapter_ = MakeGrpcAdapter(echo_.table(), *workers_);
    grpc::ServerBuilder builder;
    int port = 0;
    builder.AddListeningPort("127.0.0.1:0", grpc::InsecureServerCredentials(), &port);
    builder.SetMaxReceiveMessageSize(receive_bytes_max);
    builder.RegisterCallbackGenericService(adapter_.get());
    server_ = builder.BuildAndStart();
    ASSERT_NE(server_, nullptr);
    channel_ = grpc::CreateChannel("127.0.0.1:" + std::to_string(port), grpc::InsecureChannelCredentials());
    stub_ = v1::Fleet::NewStub(channel_);
  }
  void TearDown() override {
    echo_.Release();
    if (server_ != nullptr) server_->Shutdown(std::chrono::system_clock::now());
  }

  grpc::Status Ask(const std::string& name, const std::string& text,
                   v1::DeclareFleetResponse* response = nullptr, grpc::ClientContext* context = nullptr) {
    v1::DeclareFleetRequest request;
    request.add_files()->set_name(name);
    request.mutable_files(0)->set_text(text);
    v1::DeclareFleetResponse ignored;
    grpc::ClientContext own;
    return stub_->DeclareFleet(context == nullptr ? &own : context, request,
                               response == nullptr ? &ignored : response);
  }

  // Occupies one worker until the handlers are released.
  std::thread Occupy() {
    const int before = echo_.begun();
    std::thread thread([this] { EXPECT_TRUE(Ask("wait", "").ok()); });
    EXPECT_TRUE(Eventually([&] { return echo_.begun() > before; }));
    return thread;
  }

  // Waits until the server has read what was sent before: what is answered on the same connection came after
  // it.
  void AwaitRead() {
    for (int i = 0; i < 20; ++i) {
      grpc::ClientContext context;
      v1::ListSitesResponse ignored;
      EXPECT_EQ(stub_->ListSites(&context, {}, &ignored).error_code(), grpc::StatusCode::UNIMPLEMENTED);
    }
  }

  EchoMethods echo_;
  std::unique_ptr<WorkerPool> workers_;
  std::unique_ptr<grpc::CallbackGenericService> adapter_;
  std::unique_ptr<grpc::Server> server_;
  std::shared_ptr<grpc::Channel> channel_;
  std::unique_ptr<v1::Fleet::Stub> stub_;
};

TEST_F(GrpcAdapterTest, AnswersAGeneratedClient) {
  Start(2, 8);
  v1::DeclareFleetResponse response;
  const grpc::Status status = Ask("a", "hello", &response);
  ASSERT_TRUE(status.ok()) << status.error_message();
  ASSERT_EQ(response.changes_size(), 1);
  EXPECT_EQ(response.changes(0), "hello");
}

TEST_F(GrpcAdapterTest, TheHandlersStatusArrives) {
  Start(2, 8);
  for (int code = 1; code <= 16; ++code) {
    const grpc::Status status = Ask("code " + std::to_string(code), "because of ü");
    EXPECT_EQ(status.error_code(), code);
    EXPECT_EQ(status.error_message(), "because of ü");
  }
}

TEST_F(GrpcAdapterTest, ALongMessageArrivesCut) {
  Start(2, 8);
  const grpc::Status status = Ask("code 3", std::string(100'000, '\n'));
  EXPECT_EQ(status.error_code(), grpc::StatusCode::INVALID_ARGUMENT) << status.error_message();
  EXPECT_THAT(status.error_message(), HasSubstr("bytes more"));
}

TEST_F(GrpcAdapterTest, AnUnknownMethodIsToldWhatThereIs) {
  Start(1, 1);
  grpc::ClientContext first, second;
  v1::ListSitesResponse sites;
  grpc::Status status = stub_->ListSites(&first, {}, &sites);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::UNIMPLEMENTED);
  EXPECT_THAT(status.error_message(), HasSubstr("bayward.v1.Fleet has DeclareFleet"));
  v1::RankFaultsResponse ranking;
  status = v1::Figures::NewStub(channel_)->RankFaults(&second, {}, &ranking);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::UNIMPLEMENTED);
  EXPECT_THAT(status.error_message(), HasSubstr("there are bayward.v1.Fleet"));
}

// A client that is not generated: sends `request` (nothing where null) to the echo and gives the status.
grpc::Status AskRaw(const std::shared_ptr<grpc::Channel>& channel, const grpc::ByteBuffer* request) {
  grpc::GenericStub stub(channel);
  grpc::ClientContext context;
  grpc::CompletionQueue queue;
  auto call = stub.PrepareCall(&context, kEchoPath, &queue);
  void* tag = nullptr;
  bool ok = false;
  call->StartCall(nullptr);
  queue.Next(&tag, &ok);
  if (request != nullptr) {
    call->Write(*request, nullptr);
    queue.Next(&tag, &ok);
  }
  call->WritesDone(nullptr);
  queue.Next(&tag, &ok);
  grpc::Status status;
  call->Finish(&status, nullptr);
  queue.Next(&tag, &ok);
  return status;
}

TEST_F(GrpcAdapterTest, BytesThatAreNoRequestAreRefused) {
  Start(1, 1);
  const grpc::Slice garbage("\xff\xff\xff", 3);
  const grpc::ByteBuffer buffer(&garbage, 1);
  const grpc::Status status = AskRaw(channel_, &buffer);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  EXPECT_THAT(status.error_message(), HasSubstr("bayward.v1.DeclareFleetRequest"));
}

TEST_F(GrpcAdapterTest, ACallWithoutARequestIsRefused) {
  Start(1, 1);
  const grpc::Status status = AskRaw(channel_, nullptr);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  EXPECT_EQ(echo_.begun(), 0);
  EXPECT_TRUE(Ask("a", "b").ok());
}

TEST_F(GrpcAdapterTest, ARequestBeyondTheLimitIsRefused) {
  Start(1, 1);
  EXPECT_TRUE(Ask("a", std::string(kRequestBytesMax - 100, 'x')).ok());
  EXPECT_EQ(Ask("a", std::string(kRequestBytesMax, 'x')).error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  EXPECT_EQ(echo_.begun(), 1);
}

TEST_F(GrpcAdapterTest, TheLimitHoldsOnAServerThatTakesMore) {
  Start(1, 1, 64 * 1024 * 1024);
  const grpc::Status status = Ask("a", std::string(kRequestBytesMax, 'x'));
  EXPECT_EQ(status.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  EXPECT_THAT(status.error_message(), HasSubstr("at most 4194304 are taken"));
}

TEST_F(GrpcAdapterTest, AResponseBeyondTheLimitIsReplacedByAdvice) {
  Start(1, 1);
  const grpc::Status status = Ask("large", "");
  EXPECT_EQ(status.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  EXPECT_THAT(status.error_message(), HasSubstr("fewer machines"));
}

TEST_F(GrpcAdapterTest, AHandlerThatThrowsEndsOnlyItsCall) {
  Start(1, 1);
  EXPECT_EQ(Ask("throw", "").error_code(), grpc::StatusCode::INTERNAL);
  EXPECT_TRUE(Ask("a", "b").ok());
}

TEST_F(GrpcAdapterTest, AFullPoolRefusesAndServesAgainAfterwards) {
  Start(1, 1);
  std::thread running = Occupy();
  std::thread waiting([this] { EXPECT_TRUE(Ask("a", "waits").ok()); });
  ASSERT_TRUE(Eventually([this] { return workers_->waiting() == 1; }));
  const grpc::Status status = Ask("a", "b");
  EXPECT_EQ(status.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  EXPECT_THAT(status.error_message(), HasSubstr("come back after a pause"));
  echo_.Release();
  running.join();
  waiting.join();
  EXPECT_TRUE(Ask("a", "b").ok());
}

TEST_F(GrpcAdapterTest, ACallWhoseDeadlinePassedWhileItWaitedIsNotBegun) {
  Start(1, 8);
  std::thread running = Occupy();
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::milliseconds(50));
  EXPECT_EQ(Ask("a", "late", nullptr, &context).error_code(), grpc::StatusCode::DEADLINE_EXCEEDED);
  AwaitRead();
  echo_.Release();
  running.join();
  EXPECT_TRUE(Ask("a", "afterwards").ok());
  EXPECT_EQ(echo_.begun(), 2);
}

TEST_F(GrpcAdapterTest, ACallThatWasCancelledWhileItWaitedIsNotBegun) {
  Start(1, 8);
  std::thread running = Occupy();
  grpc::ClientContext context;
  std::thread waiting(
      [&] { EXPECT_EQ(Ask("a", "gives up", nullptr, &context).error_code(), grpc::StatusCode::CANCELLED); });
  ASSERT_TRUE(Eventually([this] { return workers_->waiting() == 1; }));
  context.TryCancel();
  waiting.join();
  AwaitRead();
  echo_.Release();
  running.join();
  EXPECT_TRUE(Ask("a", "afterwards").ok());
  EXPECT_EQ(echo_.begun(), 2);
}

TEST_F(GrpcAdapterTest, ManyCallsAtOnceEachGetTheirOwnAnswer) {
  Start(4, 64);
  std::atomic<int> right{0};
  std::vector<std::thread> clients;
  for (int i = 0; i < 64; ++i) {
    clients.emplace_back([this, i, &right] {
      v1::DeclareFleetResponse response;
      const std::string text = "caller " + std::to_string(i);
      if (Ask("a", text, &response).ok() && response.changes_size() == 1 && response.changes(0) == text)
        ++right;
    });
  }
  for (std::thread& client : clients) client.join();
  EXPECT_EQ(right.load(), 64);
}

TEST_F(GrpcAdapterTest, StoppingLetsACallInFlightEnd) {
  Start(1, 8);
  std::thread running = Occupy();
  std::thread stopping(
      [this] { server_->Shutdown(std::chrono::system_clock::now() + std::chrono::seconds(20)); });
  EXPECT_TRUE(Eventually([&] { return channel_->GetState(false) != GRPC_CHANNEL_READY; }));
  echo_.Release();
  running.join();  // expects OK
  stopping.join();
}

TEST_F(GrpcAdapterTest, AStoppedPoolAnswersWhatWaited) {
  Start(1, 8);
  std::thread running = Occupy();
  std::thread waiting([this] { EXPECT_EQ(Ask("a", "waits").error_code(), grpc::StatusCode::UNAVAILABLE); });
  ASSERT_TRUE(Eventually([this] { return workers_->waiting() == 1; }));
  EXPECT_EQ(workers_->Stop(absl::Now()).code(), absl::StatusCode::kDeadlineExceeded);
  waiting.join();
  EXPECT_EQ(Ask("a", "too late").error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  echo_.Release();
  running.join();
}

}  // namespace
}  // namespace bayward
