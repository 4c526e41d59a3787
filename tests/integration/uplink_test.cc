#include "agent/uplink/uplink.h"

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "agent/recorder/recorder.h"
#include "agent/spool/sqlite_spool.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/fake_uplink_server.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;
using ::testing::SizeIs;
using State = FakeUplinkServer::State;

std::size_t ThreadCount() {
  std::size_t count = 0;
  for ([[maybe_unused]] const auto& entry : std::filesystem::directory_iterator("/proc/self/task")) ++count;
  return count;
}

// An agent without sources; the test records.
class TestAgent {
 public:
  TestAgent(std::filesystem::path folder, std::string server)
      : folder_(std::move(folder)), server_(std::move(server)) {
    SqliteSpoolOptions spool;
    spool.folder = folder_;
    spool.boot = "boot";
    auto opened = SqliteSpool::Open(spool);
    EXPECT_TRUE(opened.ok()) << opened.status();
    spool_ = *std::move(opened);
    RecorderOptions recorder;
    recorder.agent = "north";
    recorder.machines = {{"bay-1"}, {"play", true}};
    recorder_ = std::make_unique<Recorder>(recorder, *spool_);
    recorder_->Start();
  }

  void Start() {
    UplinkOptions options;
    options.server = server_;
    options.credentials = grpc::InsecureChannelCredentials();
    options.session.agent = "north";
    options.session.version = "test";
    options.session.boot = "boot";
    options.session.live_report_every = absl::Milliseconds(1);
    options.reconnect.first = absl::Milliseconds(10);
    options.reconnect.longest = absl::Milliseconds(50);
    options.reconnect.refused_first = absl::Milliseconds(20);
    options.reconnect.refused_longest = absl::Milliseconds(40);
    uplink_ = std::make_unique<Uplink>(options, *spool_, *recorder_);
    uplink_->Start();
  }
  void Stop(absl::Duration grace = absl::Seconds(5)) { uplink_->Stop(grace); }

  // One event each, "c<number>".
  void Record(int count) {
    for (int i = 0; i < count; ++i) {
      v1::Event event;
      event.set_machine("bay-1");
      event.mutable_cycle_started()->set_cycle("c" + std::to_string(++recorded_));
      ASSERT_TRUE(recorder_->Record(event).ok());
    }
  }

  SqliteSpool& spool() { return *spool_; }
  Recorder& recorder() { return *recorder_; }
  std::string epoch() const { return spool_->Last().epoch; }

 private:
  std::filesystem::path folder_;
  std::string server_;
  int recorded_ = 0;
  std::unique_ptr<SqliteSpool> spool_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<Uplink> uplink_;
};

class UplinkTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(::testing::TempDir()) / "bayward-uplink" /
              ::testing::UnitTest::GetInstance()->current_test_info()->name();
    std::filesystem::remove_all(folder_);
    server_ = std::make_unique<FakeUplinkServer>();
    agent_ = std::make_unique<TestAgent>(folder_, server_->address());
  }
  void TearDown() override {
    if (server_ != nullptr) {
      EXPECT_THAT(server_->state().faults, IsEmpty());
    }
    agent_.reset();
    server_.reset();
    std::filesystem::remove_all(folder_);
  }
  // A new process over the same spool.
  void RestartAgent() {
    agent_.reset();
    agent_ = std::make_unique<TestAgent>(folder_, server_->address());
  }
  bool WaitForLedger(std::size_t size) {
    return server_->WaitUntil([size](const State& state) { return state.ledger.size() >= size; });
  }
  bool WaitForHeartbeats(std::size_t more) {
    const std::size_t before = server_->state().Heartbeats().size();
    return server_->WaitUntil([&](const State& state) { return state.Heartbeats().size() >= before + more; });
  }
  // The heartbeats say what was acknowledged.
  bool WaitUntilDelivered() {
    return server_->WaitUntil([this](const State& state) {
      const auto heartbeats = state.Heartbeats();
      return !heartbeats.empty() && heartbeats.back()->spool_events() == 0 &&
             heartbeats.back()->last_sequence() == agent_->spool().Last().sequence;
    });
  }
  // Every sequence of an epoch once, in order, from 1.
  static void ExpectWhole(const State& state, const std::string& epoch, std::uint64_t last) {
    std::uint64_t next = 1;
    for (const auto& applied : state.ledger) {
      if (applied.epoch == epoch) {
        EXPECT_EQ(applied.sequence, next++);
      }
    }
    EXPECT_EQ(next - 1, last);
  }
  static v1::Welcome WelcomeWith(std::uint32_t events, std::uint32_t in_flight) {
    v1::Welcome welcome;
    welcome.set_batch_events_max(events);
    welcome.set_batches_in_flight_max(in_flight);
    return welcome;
  }

  std::filesystem::path folder_;
  std::unique_ptr<FakeUplinkServer> server_;
  std::unique_ptr<TestAgent> agent_;
};

TEST_F(UplinkTest, DeliversWhatIsInTheSpoolAndWhatFollows) {
  agent_->Record(250);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(250));
  agent_->Record(50);
  ASSERT_TRUE(WaitForLedger(300));
  ASSERT_TRUE(WaitUntilDelivered());
  const State state = server_->state();
  ExpectWhole(state, agent_->epoch(), 300);
  EXPECT_EQ(state.ledger[299].event.cycle_started().cycle(), "c300");
  EXPECT_EQ(state.connections, 1);
  EXPECT_EQ(agent_->spool().Counts().unacknowledged, 0u);
}

TEST_F(UplinkTest, HelloSaysWhoAndWhatIsHeld) {
  agent_->Record(3);
  const std::string first = agent_->epoch();
  RestartAgent();
  agent_->Record(1);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(4));
  const State state = server_->state();
  const v1::Hello* hello = state.LastHello();
  EXPECT_EQ(hello->protocol_version(), 1u);
  EXPECT_EQ(hello->agent(), "north");
  EXPECT_EQ(hello->boot(), "boot");
  EXPECT_GT(hello->wall_us(), 0);
  ASSERT_THAT(hello->held(), SizeIs(2));
  EXPECT_EQ(hello->held(0).epoch(), first);
  EXPECT_EQ(hello->held(0).oldest_sequence(), 1u);
  EXPECT_EQ(hello->held(0).last_sequence(), 3u);
  EXPECT_EQ(hello->held(1).predecessor(), first);
  // Earlier epochs come first.
  EXPECT_EQ(state.ledger[2].epoch, first);
  EXPECT_EQ(state.ledger[3].epoch, agent_->epoch());
}

TEST_F(UplinkTest, ResumesBehindWhatTheServerHas) {
  server_->SetAcknowledges(false);
  agent_->Record(150);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(150));
  server_->Disconnect();
  ASSERT_TRUE(
      server_->WaitUntil([](const State& state) { return state.connections >= 2 && state.open == 1; }));
  server_->SetAcknowledges(true);
  agent_->Record(10);
  ASSERT_TRUE(WaitForLedger(160));
  const State state = server_->state();
  ExpectWhole(state, agent_->epoch(), 160);
  for (const v1::Batch* batch : state.Batches(2)) EXPECT_GT(batch->entries(0).sequence(), 150u);
}

TEST_F(UplinkTest, RestoredServerIsRefilled) {
  agent_->Record(100);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(100));
  ASSERT_TRUE(WaitUntilDelivered());
  server_->SetWatermark(agent_->epoch(), 40);
  server_->Disconnect();
  ASSERT_TRUE(WaitForLedger(160));
  const State state = server_->state();
  EXPECT_EQ(state.ledger[100].sequence, 41u);
  EXPECT_EQ(state.ledger[159].sequence, 100u);
}

TEST_F(UplinkTest, RefusedBatchIsSentAgainFromWhereTheServerSays) {
  server_->SetWelcome(WelcomeWith(10, 4));
  server_->LoseNextBatch();
  agent_->Record(100);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(100));
  ASSERT_TRUE(WaitUntilDelivered());
  ExpectWhole(server_->state(), agent_->epoch(), 100);
  EXPECT_EQ(server_->state().connections, 1);
}

TEST_F(UplinkTest, KeepsToTheLimitsOfTheWelcome) {
  server_->SetWelcome(WelcomeWith(7, 2));
  server_->SetAcknowledges(false);
  agent_->Record(100);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(14));
  ASSERT_TRUE(WaitForHeartbeats(3));  // the stream lives, and no third batch comes
  EXPECT_THAT(server_->state().Batches(), SizeIs(2));
  server_->SetAcknowledges(true);
  ASSERT_TRUE(WaitForLedger(100));
  const State state = server_->state();
  for (const v1::Batch* batch : state.Batches()) EXPECT_LE(batch->entries_size(), 7);
}

TEST_F(UplinkTest, KeepsToTheBytesOfTheWelcome) {
  v1::Welcome welcome;
  welcome.set_batch_bytes_max(400);
  server_->SetWelcome(welcome);
  agent_->Record(50);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(50));
  const State state = server_->state();
  for (const v1::Batch* batch : state.Batches()) {
    EXPECT_LE(batch->ByteSizeLong(), 400u);
    EXPECT_GT(batch->entries_size(), 1);
  }
}

TEST_F(UplinkTest, SlowDownHoldsBatchesAndNotHeartbeats) {
  agent_->recorder().SourceGood("bay-1", {});
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(2));
  v1::ServerMessage message;
  message.mutable_slow_down()->set_pause_us(1'000'000);
  server_->Send(message);
  // The snapshot shows that the agent has read what was sent before.
  message.mutable_ack()->set_epoch(agent_->epoch());
  message.mutable_ack()->set_through_sequence(2);
  message.mutable_ack()->add_wanted_snapshots("bay-1");
  server_->Send(message);
  ASSERT_TRUE(
      server_->WaitUntil([](const State& state) { return state.Heartbeats().back()->last_sequence() == 3; }));
  ASSERT_TRUE(WaitForHeartbeats(3));
  EXPECT_THAT(server_->state().ledger, SizeIs(2));
  agent_->Record(5);
  ASSERT_TRUE(WaitForLedger(8));
}

TEST_F(UplinkTest, DrainEndsTheStreamInOrderAndComesBack) {
  server_->SetAcknowledges(false);
  agent_->Record(20);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(20));
  v1::ServerMessage drain;
  drain.mutable_drain()->set_reconnect_after_us(1000);
  server_->Send(drain);
  ASSERT_TRUE(WaitForHeartbeats(2));
  EXPECT_EQ(server_->state().open, 1);  // it waits for what is in flight
  server_->SetAcknowledges(true);
  ASSERT_TRUE(
      server_->WaitUntil([](const State& state) { return state.connections == 2 && state.open == 1; }));
  agent_->Record(20);
  ASSERT_TRUE(WaitForLedger(40));
  ExpectWhole(server_->state(), agent_->epoch(), 40);
  EXPECT_EQ(server_->state().Batches(2)[0]->entries(0).sequence(), 21u);
}

TEST_F(UplinkTest, RestoredDiskImageBeginsANewEpochAndSaysSo) {
  agent_->recorder().SourceGood("bay-1", {});
  agent_->Record(5);
  const std::string old = agent_->epoch();
  RestartAgent();
  server_->AnswerStartNewEpoch(old, 500);
  server_->SetWatermark(old, 500);
  const std::string second = agent_->epoch();
  agent_->Start();
  ASSERT_TRUE(server_->WaitUntil([](const State& state) {
    return !state.ledger.empty() &&
           state.ledger.back().event.observation_lost().reason() == v1::LOSS_REASON_IMAGE_RESTORED;
  }));
  const State state = server_->state();
  const v1::Hello* hello = state.LastHello();
  ASSERT_THAT(hello->held(), SizeIs(2));
  EXPECT_EQ(hello->held(0).epoch(), second);
  EXPECT_EQ(hello->held(1).predecessor(), second);
  for (const auto& applied : state.ledger) EXPECT_NE(applied.epoch, old);
  EXPECT_EQ(state.ledger.back().sequence, 1u);
}

TEST_F(UplinkTest, SupersededOwnEpochIsFollowedByANewOne) {
  const std::string own = agent_->epoch();
  agent_->Record(3);
  server_->Supersede(own);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(1));
  EXPECT_NE(agent_->epoch(), own);
  EXPECT_EQ(server_->state().ledger[0].epoch, agent_->epoch());
  EXPECT_EQ(server_->state().ledger[0].event.observation_lost().reason(), v1::LOSS_REASON_IMAGE_RESTORED);
}

TEST_F(UplinkTest, SupersededEarlierEpochIsPassedOver) {
  agent_->Record(3);
  const std::string old = agent_->epoch();
  RestartAgent();
  agent_->Record(2);
  server_->Supersede(old);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(2));
  ASSERT_TRUE(WaitUntilDelivered());
  for (const auto& applied : server_->state().ledger) EXPECT_EQ(applied.epoch, agent_->epoch());
}

TEST_F(UplinkTest, RefusalsAreOutlived) {
  server_->RefuseNext({grpc::Status(grpc::StatusCode::FAILED_PRECONDITION, "protocol 1 is not spoken here"),
                       grpc::Status(grpc::StatusCode::NOT_FOUND, "agent is not declared"),
                       grpc::Status(grpc::StatusCode::ALREADY_EXISTS, "another stream answers"),
                       grpc::Status(grpc::StatusCode::UNAVAILABLE, "come back"),
                       grpc::Status(grpc::StatusCode::INVALID_ARGUMENT, "malformed")});
  agent_->Record(5);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(5));
  EXPECT_EQ(server_->state().connections, 6);
  ExpectWhole(server_->state(), agent_->epoch(), 5);
}

TEST_F(UplinkTest, OtherProtocolIsRefusedUntilTheServerSpeaksOurs) {
  v1::Welcome welcome;
  welcome.set_protocol_version(2);
  server_->SetWelcome(welcome);
  agent_->Record(5);
  agent_->Start();
  ASSERT_TRUE(server_->WaitUntil([](const State& state) { return state.connections >= 3; }));
  EXPECT_THAT(server_->state().Batches(), IsEmpty());
  welcome.set_protocol_version(1);
  server_->SetWelcome(welcome);
  ASSERT_TRUE(WaitForLedger(5));
}

TEST_F(UplinkTest, AckOfAnUnknownEpochChangesNothing) {
  server_->SetAcknowledges(false);
  agent_->Record(5);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(5));
  v1::ServerMessage stray;
  stray.mutable_ack()->set_epoch(std::string(16, 'x'));
  stray.mutable_ack()->set_through_sequence(99);
  server_->Send(stray);
  stray.mutable_ack()->set_epoch(agent_->epoch());
  stray.mutable_ack()->set_through_sequence(3);
  server_->Send(stray);
  ASSERT_TRUE(
      server_->WaitUntil([](const State& state) { return state.Heartbeats().back()->spool_events() == 2; }));
  server_->Send(stray);  // again
  server_->SetAcknowledges(true);
  ASSERT_TRUE(WaitUntilDelivered());
}

TEST_F(UplinkTest, WantedSnapshotFollowsTheAck) {
  agent_->recorder().SourceGood("bay-1", {});
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(2));
  ASSERT_TRUE(WaitUntilDelivered());
  server_->WantSnapshots({"bay-1"});
  agent_->Record(1);
  ASSERT_TRUE(WaitForLedger(4));
  const v1::Event last = server_->state().ledger[3].event;
  EXPECT_TRUE(last.has_snapshot());
  EXPECT_THAT(last.snapshot().open_cycles(), ElementsAre("c1"));
}

TEST_F(UplinkTest, LiveReportsRunAheadOfTheBacklog) {
  server_->SetWelcome(WelcomeWith(5, 1));
  server_->SetAcknowledges(false);
  agent_->recorder().SourceGood("bay-1", {});
  agent_->Record(50);
  agent_->Start();
  ASSERT_TRUE(server_->WaitUntil([](const State& state) { return !state.LiveReports().empty(); }));
  State state = server_->state();
  const v1::LiveReport* report = state.LiveReports()[0];
  EXPECT_EQ(report->at_sequence(), 52u);
  EXPECT_EQ(report->epoch(), agent_->epoch());
  ASSERT_THAT(report->machines(), SizeIs(2));
  EXPECT_EQ(report->machines(0).machine(), "bay-1");
  EXPECT_TRUE(report->machines(0).observed());
  EXPECT_FALSE(report->machines(0).rehearsal());
  EXPECT_TRUE(report->machines(1).rehearsal());
  v1::Event fault;
  fault.set_machine("bay-1");
  fault.mutable_fault_raised()->set_fault_class(v1::FaultClass(1));
  ASSERT_TRUE(agent_->recorder().Record(fault).ok());
  ASSERT_TRUE(server_->WaitUntil(
      [](const State& now) { return now.LiveReports().back()->machines(0).state().faults_size() == 1; }));
  EXPECT_EQ(server_->state().LiveReports().back()->at_sequence(), 53u);

  // Once all is delivered there is nothing to run ahead of.
  server_->SetAcknowledges(true);
  ASSERT_TRUE(WaitUntilDelivered());
  const std::size_t reports = server_->state().LiveReports().size();
  fault.mutable_fault_cleared()->set_fault_class(v1::FaultClass(1));
  ASSERT_TRUE(agent_->recorder().Record(fault).ok());
  ASSERT_TRUE(WaitUntilDelivered());
  EXPECT_EQ(server_->state().LiveReports().size(), reports);
}

TEST_F(UplinkTest, HeartbeatTellsUpToWhenItObserved) {
  v1::Event played;
  played.set_machine("play");
  played.set_rehearsal(true);
  played.mutable_observation_started();
  ASSERT_TRUE(agent_->recorder().RecordAll({played}, "plan", "1").ok());
  agent_->recorder().Alive(absl::FromUnixSeconds(1000));
  agent_->Start();
  ASSERT_TRUE(WaitUntilDelivered());
  const State state = server_->state();
  const v1::Heartbeat* last = state.Heartbeats().back();
  EXPECT_EQ(last->alive_until_us(), 1'000'000'000);
  EXPECT_EQ(last->epoch(), agent_->epoch());
  EXPECT_EQ(last->last_sequence(), 1u);
}

TEST_F(UplinkTest, StopDeliversWhatIsLeft) {
  server_->SetWelcome(WelcomeWith(5, 1));
  agent_->Start();
  ASSERT_TRUE(WaitForHeartbeats(1));
  agent_->Record(100);
  agent_->Stop(absl::Seconds(10));
  const State state = server_->state();
  ExpectWhole(state, agent_->epoch(), 100);
  EXPECT_EQ(state.Heartbeats().back()->last_sequence(), 100u);
  EXPECT_EQ(state.Heartbeats().back()->spool_events(), 0u);
  EXPECT_EQ(agent_->spool().Counts().unacknowledged, 0u);
}

TEST_F(UplinkTest, StopWaitsNoLongerThanItsGrace) {
  server_->SetAcknowledges(false);
  agent_->Record(5);
  agent_->Start();
  ASSERT_TRUE(WaitForLedger(5));
  const absl::Time asked = absl::Now();
  agent_->Stop(absl::Milliseconds(100));
  EXPECT_LT(absl::Now() - asked, absl::Seconds(5));
  EXPECT_EQ(agent_->spool().Counts().unacknowledged, 5u);
}

TEST_F(UplinkTest, RecordingGoesOnWithoutAServer) {
  const int port = server_->port();
  server_.reset();
  agent_->Start();
  agent_->Record(50);
  EXPECT_EQ(agent_->spool().Counts().unacknowledged, 50u);
  server_ = std::make_unique<FakeUplinkServer>(port);
  ASSERT_TRUE(WaitForLedger(50));
  ExpectWhole(server_->state(), agent_->epoch(), 50);
}

TEST_F(UplinkTest, DamagedSpoolIsReplacedAndDeliveryGoesOn) {
  agent_->recorder().SourceGood("bay-1", {});
  agent_->Start();
  ASSERT_TRUE(WaitUntilDelivered());
  const std::string old = agent_->epoch();
  agent_->recorder().ReplaceDamagedSpool();
  EXPECT_NE(agent_->epoch(), old);
  ASSERT_TRUE(WaitForLedger(5));
  const State state = server_->state();
  EXPECT_EQ(state.ledger[2].epoch, agent_->epoch());
  EXPECT_EQ(state.ledger[2].event.observation_lost().reason(), v1::LOSS_REASON_SPOOL_DAMAGED);
  EXPECT_TRUE(state.ledger[4].event.has_snapshot());
}

TEST_F(UplinkTest, ManyAgentsShareAProcess) {
  constexpr int kAgents = 30;
  const std::size_t before = ThreadCount();
  std::vector<std::unique_ptr<TestAgent>> agents;
  for (int i = 0; i < kAgents; ++i) {
    agents.push_back(std::make_unique<TestAgent>(folder_ / std::to_string(i), server_->address()));
    agents.back()->Record(20);
    agents.back()->Start();
  }
  ASSERT_TRUE(WaitForLedger(20 * kAgents));
  const State state = server_->state();
  EXPECT_EQ(state.connections, kAgents);
  for (const auto& agent : agents) ExpectWhole(state, agent->epoch(), 20);
  // Here the fake server's threads, one for each stream, count too.
  EXPECT_LT(ThreadCount() - before, 3u * kAgents);
}

}  // namespace
}  // namespace bayward
