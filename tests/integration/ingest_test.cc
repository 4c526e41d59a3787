// Agents deliver over real gRPC into a real PostgreSQL: every answer the uplink promises, and what is stored then.
#include <cmath>
#include <functional>

#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "absl/time/clock.h"
#include "server/store/history_store.h"
#include "server/store/upkeep.h"
#include "tests/support/test_server.h"
#include "tests/support/uplink_client.h"

namespace bayward::testing {
namespace {

constexpr auto kPressureLow = v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW;
constexpr auto kMainsLost = v1::FAULT_CLASS_POWER_MAINS_LOST;

bool WithinSeconds(int seconds, const std::function<bool()>& holds) {
  const absl::Time end = absl::Now() + absl::Seconds(seconds);
  while (!holds()) {
    if (absl::Now() > end) return false;
    absl::SleepFor(absl::Milliseconds(5));
  }
  return true;
}

class IngestTest : public ::testing::Test {
 protected:
  static void SetUpTestSuite() {
    cluster_ = new TestCluster();
    fleet_ = new FleetHolder();
    server_ = new IngestServer(cluster_->database(), *fleet_);
  }
  static void TearDownTestSuite() {
    delete server_;
    delete fleet_;
    delete cluster_;
  }

  void SetUp() override {
    site_ = absl::StrCat("site-", ++sites_);
    agent_ = fleet_->AddSite(site_, {"bay-1", "bay-2"});
    epoch_ = EpochBytes(sites_ * 10);
    start_us_ = absl::ToUnixMicros(absl::Now() - absl::Hours(24));
  }

  // Whatever happened, nothing is missing and nothing is there twice.
  void TearDown() override {
    const auto faults = CheckAccounts(cluster_->database());
    ASSERT_TRUE(faults.ok()) << faults.status();
    EXPECT_EQ(*faults, std::vector<std::string>());
  }

  std::unique_ptr<UplinkClient> Connect(const std::vector<UplinkClient::Held>& held, v1::ServerMessage* welcome) {
    auto client = std::make_unique<UplinkClient>(server_->Channel(), site_);
    EXPECT_TRUE(client->SendHello(held));
    v1::ServerMessage message = client->Read();
    EXPECT_TRUE(message.has_welcome()) << message.ShortDebugString();
    if (welcome != nullptr) *welcome = message;
    return client;
  }
  std::unique_ptr<UplinkClient> Connect() { return Connect({{epoch_, "", 1, 0}}, nullptr); }

  std::int64_t At(int minute) const { return start_us_ + std::int64_t{minute} * 60'000'000; }

  std::vector<v1::Event> OneWash() const {
    return {Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), CycleBegan("bay-1", At(1), "c1"),
            CycleEnded("bay-1", At(6), "c1"), Raised("bay-1", At(10), kPressureLow),
            Cleared("bay-1", At(30), kPressureLow)};
  }

  long Count(const std::string& table, const std::string& where = "true") {
    long count = -1;
    const absl::Status status = cluster_->database().Read("count", [&](pqxx::transaction_base& tx) {
      count = tx.exec1("SELECT count(*) FROM " + table + " WHERE site_id = " + std::to_string(sites_) + " AND " + where)
                  [0].as<long>();
      return absl::OkStatus();
    });
    EXPECT_TRUE(status.ok()) << status;
    return count;
  }

  MachineHistory History(const std::string& machine) {
    PostgresHistoryStore store(cluster_->database());
    const auto fleet = fleet_->Get();
    const std::vector<MachineId> ids = {fleet->machine_by_full_name.at(site_ + "/" + machine)};
    auto histories = store.Load(*fleet, ids, {absl::InfinitePast(), absl::InfiniteFuture()});
    EXPECT_TRUE(histories.ok()) << histories.status();
    return histories.ok() ? std::move(histories->front()) : MachineHistory();
  }

  static inline TestCluster* cluster_ = nullptr;
  static inline FleetHolder* fleet_ = nullptr;
  static inline IngestServer* server_ = nullptr;
  static inline int sites_ = 0;
  std::string site_;
  AgentId agent_;
  std::string epoch_;
  std::int64_t start_us_ = 0;
};

TEST_F(IngestTest, BatchIsStoredFoldedAndAcknowledged) {
  auto client = Connect();
  ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
  const v1::ServerMessage ack = client->Read();
  ASSERT_TRUE(ack.has_ack()) << ack.ShortDebugString();
  EXPECT_EQ(ack.ack().through_sequence(), 6u);
  EXPECT_EQ(ack.ack().rejected(), 0u);
  EXPECT_EQ(Count("event"), 6);
  const MachineHistory history = History("bay-1");
  ASSERT_EQ(history.spells.size(), 1u);
  EXPECT_EQ(history.spells[0].fault_class, kPressureLow);
  EXPECT_EQ(absl::ToUnixMicros(history.spells[0].raised_at), At(10));
  EXPECT_EQ(absl::ToUnixMicros(history.spells[0].cleared_at), At(30));
  EXPECT_EQ(history.spells[0].raw_code, "E07");
  ASSERT_EQ(history.cycles.size(), 1u);
  EXPECT_EQ(absl::ToUnixMicros(history.cycles[0].started_at), At(1));
  ASSERT_EQ(history.observed.size(), 1u);
  EXPECT_EQ(history.observed[0].to, absl::InfiniteFuture());
}

TEST_F(IngestTest, BatchSeenBeforeIsAcknowledgedAndChangesNothing) {
  auto client = Connect();
  for (int i = 0; i < 2; ++i) {
    ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
    EXPECT_EQ(client->Read().ack().through_sequence(), 6u);
  }
  EXPECT_EQ(Count("event"), 6);
  EXPECT_EQ(Count("spell"), 1);
}

TEST_F(IngestTest, OverlappingBatchIsTrimmed) {
  auto client = Connect();
  const auto events = OneWash();
  ASSERT_TRUE(client->SendBatch(epoch_, 1, {events.begin(), events.begin() + 4}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 4u);
  ASSERT_TRUE(client->SendBatch(epoch_, 3, {events.begin() + 2, events.end()}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 6u);
  EXPECT_EQ(Count("event"), 6);
  EXPECT_EQ(Count("cycle"), 1);
}

TEST_F(IngestTest, GapIsRefusedWithTheSequenceExpected) {
  auto client = Connect();
  ASSERT_TRUE(client->SendBatch(epoch_, 1, {Started("bay-1", At(0))}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 1u);
  ASSERT_TRUE(client->SendBatch(epoch_, 3, {SnapshotOf("bay-1", At(1))}));
  const v1::ServerMessage answer = client->Read();
  ASSERT_TRUE(answer.has_resume_after()) << answer.ShortDebugString();
  EXPECT_EQ(answer.resume_after().sequence(), 1u);
  EXPECT_EQ(Count("event"), 1);
}

TEST_F(IngestTest, ReconnectedAgentIsToldWhereToGoOn) {
  Connect()->SendBatch(epoch_, 1, OneWash());
  // The first stream's end has to be seen before the identity is free again.
  v1::ServerMessage welcome;
  for (int i = 0; i < 200 && !welcome.has_welcome(); ++i) {
    UplinkClient client(server_->Channel(), site_);
    client.SendHello({{epoch_, "", 1, 6}});
    welcome = client.Read();
  }
  ASSERT_EQ(welcome.welcome().resume_size(), 1);
  EXPECT_EQ(welcome.welcome().resume(0).epoch(), epoch_);
  EXPECT_LE(welcome.welcome().resume(0).sequence(), 6u);
}

// One bad event of each kind between good ones: it is kept with its reason, the others are taken.
struct BadEvent {
  std::string name;
  std::string reason;
  std::string payload;
};

std::vector<BadEvent> BadEvents(std::int64_t now_us) {
  std::vector<BadEvent> bad;
  bad.push_back({"malformed bytes", "malformed", "\xff\xff\xff"});
  v1::Event large = Raised("bay-1", now_us, kPressureLow);
  large.mutable_fault_raised()->set_raw_text(std::string(17000, 'x'));
  bad.push_back({"over 16 KiB", "too_large", large.SerializeAsString()});
  v1::Event nul = Raised("bay-1", now_us, kPressureLow);
  nul.mutable_fault_raised()->set_raw_text(std::string("a\0b", 3));
  bad.push_back({"NUL byte", "nul_byte", nul.SerializeAsString()});
  v1::Event unknown = Raised("bay-1", now_us, static_cast<v1::FaultClass>(98765));
  bad.push_back({"unknown class", "unknown_value", unknown.SerializeAsString()});
  v1::Event outcome = CycleEnded("bay-1", now_us, "c9", static_cast<v1::CycleOutcome>(77));
  bad.push_back({"unknown outcome", "unknown_value", outcome.SerializeAsString()});
  bad.push_back({"time of 1970", "absurd_time", Raised("bay-1", 1, kPressureLow).SerializeAsString()});
  v1::Event late = Raised("bay-1", now_us, kPressureLow);
  late.set_effective_at_us(now_us - 2 * 3600'000'000ll);
  bad.push_back({"changed over an hour before", "absurd_time", late.SerializeAsString()});
  v1::Event simulated = Raised("bay-1", now_us, kPressureLow);
  simulated.set_clock(v1::CLOCK_STATE_SIMULATED);
  bad.push_back({"simulated without rehearsal", "malformed", simulated.SerializeAsString()});
  v1::Event nothing;
  nothing.set_machine("bay-1");
  nothing.set_recorded_at_us(now_us);
  bad.push_back({"no kind", "unknown_value", nothing.SerializeAsString()});
  bad.push_back({"no machine", "missing_field", Raised("", now_us, kPressureLow).SerializeAsString()});
  bad.push_back({"step without its cycle", "missing_field",
                 StepReached("bay-1", now_us, "", "rinse").SerializeAsString()});
  bad.push_back({"step of 201 bytes", "too_large",
                 StepReached("bay-1", now_us, "c1", std::string(201, 'x')).SerializeAsString()});
  bad.push_back({"NUL in a step", "nul_byte",
                 StepReached("bay-1", now_us, "c1", std::string("a\0b", 3)).SerializeAsString()});
  bad.push_back({"signal without a name", "missing_field", SignalOf("bay-1", now_us, "", 1, "").SerializeAsString()});
  bad.push_back({"signal of 201 bytes", "too_large",
                 SignalOf("bay-1", now_us, std::string(201, 'x'), 1, "N").SerializeAsString()});
  bad.push_back({"signal that is no number", "absurd_value",
                 SignalOf("bay-1", now_us, "force", std::nan(""), "N").SerializeAsString()});
  bad.push_back({"contact at 2", "absurd_value", SignalOf("bay-1", now_us, "touch bar", 2, "").SerializeAsString()});
  return bad;
}

TEST_F(IngestTest, EventThatCannotBeAcceptedIsKeptWithItsReasonAndBlocksNothing) {
  const auto bad = BadEvents(At(5));
  std::vector<std::string> batch = {Started("bay-1", At(0)).SerializeAsString(),
                                    SnapshotOf("bay-1", At(0)).SerializeAsString()};
  for (const BadEvent& one : bad) batch.push_back(one.payload);
  batch.push_back(SnapshotOf("bay-1", At(20)).SerializeAsString());
  auto client = Connect();
  ASSERT_TRUE(client->SendRaw(epoch_, 1, batch));
  const v1::ServerMessage ack = client->Read();
  ASSERT_TRUE(ack.has_ack()) << ack.ShortDebugString();
  EXPECT_EQ(ack.ack().through_sequence(), batch.size());
  EXPECT_EQ(ack.ack().rejected(), bad.size());
  EXPECT_EQ(Count("event"), 3);
  EXPECT_EQ(Count("rejected_event"), static_cast<long>(bad.size()));
  for (const BadEvent& one : bad) {
    EXPECT_GE(Count("rejected_event", "reason = '" + one.reason + "'"), 1) << one.name;
  }
}

TEST_F(IngestTest, StepsAndSignalsAreKeptAndChangeNoTimeline) {
  auto client = Connect();
  ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
  EXPECT_EQ(client->Read().ack().through_sequence(), 6u);
  const MachineHistory before = History("bay-1");
  ASSERT_TRUE(client->SendBatch(epoch_, 7, {StepReached("bay-1", At(31), "c2", "pre-soak"),
                                            SignalOf("bay-1", At(32), "top brush force", 212.5, "N", "c2"),
                                            SignalOf("bay-1", At(33), "touch bar", 1, "")}));
  const v1::ServerMessage ack = client->Read();
  EXPECT_EQ(ack.ack().through_sequence(), 9u);
  EXPECT_EQ(ack.ack().rejected(), 0u);
  EXPECT_EQ(ack.ack().wanted_snapshots_size(), 0);
  EXPECT_EQ(Count("event", "kind = 26"), 1);
  EXPECT_EQ(Count("event", "kind = 27"), 2);
  const MachineHistory after = History("bay-1");
  EXPECT_EQ(after.spells.size(), before.spells.size());
  EXPECT_EQ(after.cycles.size(), before.cycles.size());
  ASSERT_EQ(after.observed.size(), 1u);
  EXPECT_EQ(after.observed[0].from, before.observed[0].from);
  EXPECT_EQ(after.observed[0].to, absl::InfiniteFuture());
}

// What cannot be accepted of them is no reason to doubt the machine's state.
TEST_F(IngestTest, RejectedSignalLeavesItsMachineKnown) {
  auto client = Connect();
  ASSERT_TRUE(client->SendBatch(epoch_, 1, {Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)),
                                            SignalOf("bay-1", At(5), "touch bar", 7, "")}));
  const v1::ServerMessage ack = client->Read();
  EXPECT_EQ(ack.ack().rejected(), 1u);
  EXPECT_EQ(ack.ack().wanted_snapshots_size(), 0);
  ASSERT_EQ(History("bay-1").observed.size(), 1u);
  EXPECT_EQ(History("bay-1").observed[0].to, absl::InfiniteFuture());
}

TEST_F(IngestTest, RejectedStateEventMakesItsMachineUnknownUntilTheSnapshotItAsksFor) {
  auto client = Connect();
  v1::Event unknown = Raised("bay-1", At(10), static_cast<v1::FaultClass>(98765));
  ASSERT_TRUE(client->SendBatch(epoch_, 1, {Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), unknown}));
  v1::ServerMessage ack = client->Read();
  ASSERT_EQ(ack.ack().wanted_snapshots_size(), 1) << ack.ShortDebugString();
  EXPECT_EQ(ack.ack().wanted_snapshots(0), "bay-1");
  ASSERT_EQ(History("bay-1").observed.size(), 1u);
  EXPECT_EQ(absl::ToUnixMicros(History("bay-1").observed[0].to), At(10));
  ASSERT_TRUE(client->SendBatch(epoch_, 4, {SnapshotOf("bay-1", At(12))}));
  ack = client->Read();
  EXPECT_EQ(ack.ack().wanted_snapshots_size(), 0);
  const MachineHistory history = History("bay-1");
  ASSERT_EQ(history.observed.size(), 2u);
  EXPECT_EQ(absl::ToUnixMicros(history.observed[1].from), At(12));
}

TEST_F(IngestTest, EventFarAheadIsStoredAtItsReceiptAndCounted) {
  const std::uint64_t before = server_->counts().clock_errors;
  auto client = Connect();
  const std::int64_t ahead = absl::ToUnixMicros(absl::Now() + absl::Hours(10));
  ASSERT_TRUE(client->SendBatch(epoch_, 1, {Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)),
                                            Raised("bay-1", ahead, kPressureLow)}));
  EXPECT_EQ(client->Read().ack().rejected(), 0u);
  EXPECT_EQ(server_->counts().clock_errors, before + 1);
  const MachineHistory history = History("bay-1");
  ASSERT_EQ(history.spells.size(), 1u);
  EXPECT_LT(absl::AbsDuration(history.spells[0].raised_at - absl::Now()), absl::Minutes(1));
}

TEST_F(IngestTest, OddButDefinedEventsAreAccepted) {
  auto client = Connect();
  ASSERT_TRUE(client->SendBatch(
      epoch_, 1, {Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), CycleEnded("bay-1", At(3), "never-begun"),
                  Cleared("bay-1", At(4), kMainsLost), Raised("bay-1", At(5), kPressureLow),
                  Raised("bay-1", At(6), kPressureLow), Cleared("bay-1", At(7), kPressureLow)}));
  EXPECT_EQ(client->Read().ack().rejected(), 0u);
  const MachineHistory history = History("bay-1");
  ASSERT_EQ(history.cycles.size(), 1u);
  EXPECT_EQ(history.cycles[0].started_at, absl::InfinitePast());
  ASSERT_EQ(history.spells.size(), 1u);  // cleared without raised left none
  EXPECT_EQ(history.spells[0].further_raises, 1u);
}

TEST_F(IngestTest, EventsOfAnUndeclaredMachineWaitAndAreFoldedInOrderOnceItIsDeclared) {
  auto client = Connect();
  ASSERT_TRUE(client->SendBatch(epoch_, 1, {Started("bay-9", At(0)), SnapshotOf("bay-9", At(0)),
                                            Raised("bay-9", At(5), kPressureLow)}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 3u);
  EXPECT_EQ(Count("parked_event"), 3);
  EXPECT_EQ(Count("event"), 0);
  fleet_->AddMachine(site_, "bay-9");
  ASSERT_TRUE(client->SendBatch(epoch_, 4, {Cleared("bay-9", At(9), kPressureLow)}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 4u);
  EXPECT_EQ(Count("parked_event"), 0);
  EXPECT_EQ(Count("event"), 4);
  const MachineHistory history = History("bay-9");
  ASSERT_EQ(history.spells.size(), 1u);
  EXPECT_EQ(absl::ToUnixMicros(history.spells[0].raised_at), At(5));
  EXPECT_EQ(absl::ToUnixMicros(history.spells[0].cleared_at), At(9));
}

TEST_F(IngestTest, MachineOfAnotherSiteIsNotThisAgents) {
  auto client = Connect();
  // The key is looked up within the agent's own site, so another site's machine is simply not there.
  ASSERT_TRUE(client->SendBatch(epoch_, 1, {Started("site-1/bay-1", At(0))}));
  client->Read();
  EXPECT_EQ(Count("parked_event"), 1);
}

TEST_F(IngestTest, NewEpochSupersedesAndTheOldOnesRestIsRejected) {
  const std::string next = EpochBytes(sites_ * 10 + 1);
  auto client = Connect({{epoch_, "", 1, 6}, {next, epoch_, 1, 0}}, nullptr);
  ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
  EXPECT_EQ(client->Read().ack().through_sequence(), 6u);
  v1::Event lost = Started("bay-1", At(50));
  lost.mutable_observation_lost()->set_from_us(At(40));
  ASSERT_TRUE(client->SendBatch(next, 1, {lost, Started("bay-1", At(50)), SnapshotOf("bay-1", At(50))}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 3u);
  ASSERT_TRUE(client->SendBatch(epoch_, 6, {Cleared("bay-1", At(30), kPressureLow), Raised("bay-1", At(60), kMainsLost)}));
  const v1::ServerMessage ack = client->Read();
  EXPECT_EQ(ack.ack().rejected(), 1u) << ack.ShortDebugString();
  EXPECT_EQ(Count("rejected_event", "reason = 'superseded_epoch'"), 1);
  const MachineHistory history = History("bay-1");
  ASSERT_EQ(history.observed.size(), 2u);
  EXPECT_EQ(absl::ToUnixMicros(history.observed[0].to), At(40));
  EXPECT_EQ(absl::ToUnixMicros(history.observed[1].from), At(50));
}

TEST_F(IngestTest, RestoredSpoolIsToldToBeginANewEpoch) {
  {
    auto client = Connect();
    ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
    EXPECT_EQ(client->Read().ack().through_sequence(), 6u);
    client->Finish();
  }
  v1::ServerMessage welcome;
  auto client = Connect({{epoch_, "", 1, 2}}, &welcome);
  const v1::ServerMessage message = client->Read();
  ASSERT_TRUE(message.has_start_new_epoch()) << message.ShortDebugString();
  EXPECT_EQ(message.start_new_epoch().watermark(), 6u);
}

TEST_F(IngestTest, WhatNobodyHoldsAnyMoreIsStatedAsLostAndDoesNotBlock) {
  {
    auto client = Connect();
    ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
    EXPECT_EQ(client->Read().ack().through_sequence(), 6u);
    client->Finish();
  }
  // As if the database had been put back to before sequences 7 to 9, which the agent has thrown away since.
  v1::ServerMessage welcome;
  auto client = Connect({{epoch_, "", 10, 11}}, &welcome);
  EXPECT_EQ(welcome.welcome().resume(0).sequence(), 9u);
  ASSERT_TRUE(client->SendBatch(epoch_, 10, {Raised("bay-1", At(70), kPressureLow), SnapshotOf("bay-1", At(75))}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 11u);
  EXPECT_EQ(Count("missing_events", "reason = 'lost_by_server' AND first_sequence = 7 AND last_sequence = 9"), 1);
  const MachineHistory history = History("bay-1");
  ASSERT_GE(history.observed.size(), 2u);
  EXPECT_LE(absl::ToUnixMicros(history.observed[0].to), At(70));
}

TEST_F(IngestTest, TombstoneMovesTheWatermarkAndMakesItsTimeUnknown) {
  auto client = Connect();
  v1::Event stone = Started("", At(60));
  stone.mutable_tombstone()->set_kind(v1::TOMBSTONE_KIND_STATE);
  stone.mutable_tombstone()->set_last_sequence(20);
  stone.mutable_tombstone()->set_from_us(At(40));
  stone.mutable_tombstone()->set_to_us(At(55));
  ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
  EXPECT_EQ(client->Read().ack().through_sequence(), 6u);
  ASSERT_TRUE(client->SendBatch(epoch_, 7, {stone}));
  const v1::ServerMessage ack = client->Read();
  EXPECT_EQ(ack.ack().through_sequence(), 20u) << ack.ShortDebugString();
  ASSERT_TRUE(client->SendBatch(epoch_, 21, {SnapshotOf("bay-1", At(61))}));
  EXPECT_EQ(client->Read().ack().through_sequence(), 21u);
  const MachineHistory history = History("bay-1");
  ASSERT_EQ(history.voided.size(), 1u);
  EXPECT_EQ(absl::ToUnixMicros(history.voided[0].start), At(40));
  EXPECT_EQ(absl::ToUnixMicros(history.voided[0].end), At(55));
}

TEST_F(IngestTest, WrongProtocolVersionIsRefusedInWords) {
  UplinkClient client(server_->Channel(), site_);
  v1::AgentMessage message;
  *message.mutable_hello() = client.MakeHello({{epoch_, "", 1, 0}});
  message.mutable_hello()->set_protocol_version(99);
  ASSERT_TRUE(client.Send(message));
  EXPECT_FALSE(client.Read().has_welcome());
  const grpc::Status status = client.Finish();
  EXPECT_EQ(status.error_code(), grpc::StatusCode::FAILED_PRECONDITION);
  EXPECT_NE(status.error_message().find("expected 1"), std::string::npos) << status.error_message();
}

TEST_F(IngestTest, UndeclaredAgentIsRefused) {
  UplinkClient client(server_->Channel(), "nobody");
  ASSERT_TRUE(client.SendHello({{epoch_, "", 1, 0}}));
  client.Read();
  EXPECT_EQ(client.Finish().error_code(), grpc::StatusCode::NOT_FOUND);
}

TEST_F(IngestTest, SecondStreamOfOneIdentityIsRefusedWhileTheFirstAnswers) {
  auto first = Connect();
  UplinkClient second(server_->Channel(), site_);
  ASSERT_TRUE(second.SendHello({{epoch_, "", 1, 0}}));
  second.Read();
  EXPECT_EQ(second.Finish().error_code(), grpc::StatusCode::ALREADY_EXISTS);
  ASSERT_TRUE(first->SendBatch(epoch_, 1, OneWash()));
  EXPECT_EQ(first->Read().ack().through_sequence(), 6u);
}

TEST_F(IngestTest, StreamThatDoesNotBeginWithHelloIsEnded) {
  UplinkClient client(server_->Channel(), site_);
  client.SendBatch(epoch_, 1, OneWash());
  client.Read();
  EXPECT_EQ(client.Finish().error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  EXPECT_EQ(Count("event"), 0);
}

TEST_F(IngestTest, HeartbeatAtTheWatermarkAdvancesWhatIsKnownToBeObserved) {
  auto client = Connect();
  ASSERT_TRUE(client->SendBatch(epoch_, 1, OneWash()));
  client->Read();
  ASSERT_TRUE(client->SendHeartbeat(epoch_, 6, At(90)));
  ASSERT_TRUE(client->SendBatch(epoch_, 7, {CycleBegan("bay-1", At(80), "c2")}));
  client->Read();
  EXPECT_EQ(absl::ToUnixMicros(History("bay-1").observed_until), At(90));
}

TEST_F(IngestTest, FullServerRefusesInWordsAndTakesAgainOnceThereIsRoom) {
  const std::string other = absl::StrCat(site_, "-b");
  fleet_->AddSite(other, {"bay-1"});
  ++sites_;  // the fleet holder numbers sites as they come
  IngestOptions options;
  options.streams_max = 1;
  IngestServer small(cluster_->database(), *fleet_, options);
  UplinkClient first(small.Channel(), site_);
  ASSERT_TRUE(first.SendHello({{epoch_, "", 1, 0}}));
  ASSERT_TRUE(first.Read().has_welcome());
  const auto greet = [&] {
    UplinkClient second(small.Channel(), other);
    second.SendHello({{EpochBytes(sites_ * 10), "", 1, 0}});
    const bool welcome = second.Read().has_welcome();
    if (welcome) second.Cancel();
    return std::pair(welcome, second.Finish());
  };
  const auto [welcome, status] = greet();
  EXPECT_FALSE(welcome);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  EXPECT_NE(status.error_message().find("1 agents are connected"), std::string::npos) << status.error_message();
  first.Finish();
  EXPECT_TRUE(WithinSeconds(10, [&] { return greet().first; }));
}

TEST_F(IngestTest, FullQueueIsRefusedInWords) {
  IngestOptions options;
  options.writer.queue_jobs_max = 0;
  IngestServer full(cluster_->database(), *fleet_, options);
  UplinkClient client(full.Channel(), site_);
  ASSERT_TRUE(client.SendHello({{epoch_, "", 1, 0}}));
  EXPECT_FALSE(client.Read().has_welcome());
  const grpc::Status status = client.Finish();
  EXPECT_EQ(status.error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  EXPECT_NE(status.error_message().find("queue is full"), std::string::npos) << status.error_message();
}

// A full disk: nothing is read until there is room, and nothing is lost.
TEST_F(IngestTest, HeldStreamsAreNotReadAndGoOnAfterwards) {
  auto client = Connect();
  server_->ingest().Hold(true);
  const auto events = OneWash();
  for (std::uint64_t i = 0; i < events.size(); ++i) ASSERT_TRUE(client->SendBatch(epoch_, i + 1, {events[i]}));
  // One read was under way before.
  EXPECT_EQ(client->Read().ack().through_sequence(), 1u);
  // What came before these greetings is through both writers once they are answered.
  for (const char* other : {"-b", "-c"}) {
    fleet_->AddSite(absl::StrCat(site_, other), {"bay-1"});
    UplinkClient greeting(server_->Channel(), absl::StrCat(site_, other));
    ASSERT_TRUE(greeting.SendHello({{EpochBytes(sites_ * 10 + 1), "", 1, 0}}));
    EXPECT_TRUE(greeting.Read().has_welcome());
    greeting.Cancel();
  }
  EXPECT_EQ(Count("event"), 1);
  server_->ingest().Hold(false);
  for (std::uint64_t i = 1; i < events.size(); ++i) EXPECT_EQ(client->Read().ack().through_sequence(), i + 1);
  EXPECT_EQ(Count("event"), 6);
  sites_ += 2;  // the fleet holder numbers sites as they come
}

// Streams that break at any moment, with batches on their way: each is let go of, and the next goes on.
TEST_F(IngestTest, StreamsThatBreakMidwayAreLetGoOf) {
  std::uint64_t sent = 0;
  for (int round = 0; round < 60; ++round) {
    std::unique_ptr<UplinkClient> client;
    v1::ServerMessage welcome;
    ASSERT_TRUE(WithinSeconds(10, [&] {  // the stream before may still be there
      client = std::make_unique<UplinkClient>(server_->Channel(), site_);
      client->SendHello({{epoch_, "", 1, sent}});
      welcome = client->Read();
      return welcome.has_welcome();
    }));
    const std::uint64_t through = welcome.welcome().resume(0).sequence();
    EXPECT_LE(through, sent);
    for (std::uint64_t i = 1; i <= 8; ++i) {
      client->SendBatch(epoch_, through + i, {CycleBegan("bay-1", At(static_cast<int>(through + i)), "c")});
    }
    sent = std::max(sent, through + 8);
    for (int acks = 0; acks < round % 8; ++acks) client->Read();
    client->Cancel();
  }
  EXPECT_TRUE(WithinSeconds(10, [] { return server_->counts().streams == 0; }));
}

TEST_F(IngestTest, DatabaseThatBreaksMidwayLosesNothing) {
  auto client = Connect();
  const auto events = OneWash();
  for (std::uint64_t i = 0; i < events.size(); ++i) {
    // Every ingest session is cut while batches are on their way.
    ASSERT_TRUE(client->SendBatch(epoch_, i + 1, {events[i]}));
    const absl::Status status = cluster_->database().Read("cut", [&](pqxx::transaction_base& tx) {
      tx.exec("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'bayward-ingest'");
      return absl::OkStatus();
    });
    ASSERT_TRUE(status.ok()) << status;
    const v1::ServerMessage ack = client->Read();
    ASSERT_TRUE(ack.has_ack()) << ack.ShortDebugString();
    EXPECT_EQ(ack.ack().through_sequence(), i + 1);
  }
  EXPECT_EQ(Count("event"), 6);
  EXPECT_EQ(Count("spell"), 1);
}

}  // namespace
}  // namespace bayward::testing
