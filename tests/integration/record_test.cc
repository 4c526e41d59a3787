// Records on a real PostgreSQL: what agents delivered over real gRPC is found again down to the raw event, before and
// after its partition was dropped, with and without a hold; and what people settle changes the figures.
#include <algorithm>

#include "absl/time/clock.h"
#include "fmt/format.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/api/record_handlers.h"
#include "server/figures/availability.h"
#include "server/store/retention.h"
#include "server/store/upkeep.h"
#include "tests/support/calendars.h"
#include "tests/support/test_server.h"
#include "tests/support/uplink_client.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

constexpr auto kPressureLow = v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW;
constexpr auto kTravelTimeout = v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT;
constexpr absl::Duration kDay = absl::Hours(24);

// Minute 0 is a day ago. Each test has a database of its own: what it drops is gone.
class RecordTest : public ::testing::Test {
 protected:
  void SetUp() override {
    holder_.AddSite("alder", {"bay-1", "bay-2"});
    Run("INSERT INTO site (site_id, key, declared_at) OVERRIDING SYSTEM VALUE VALUES (1, 'alder', now())");
    Run("INSERT INTO machine (machine_id, site_id, key, declared_at) OVERRIDING SYSTEM VALUE "
        "VALUES (1, 1, 'bay-1', now()), (2, 1, 'bay-2', now())");
    server_ = std::make_unique<IngestServer>(database_, holder_);
    client_ = std::make_unique<UplinkClient>(server_->Channel(), "alder");
    ASSERT_TRUE(client_->SendHello({{epoch_, "", 1, 0}}));
    ASSERT_TRUE(client_->Read().has_welcome());
  }

  void TearDown() override {
    const auto faults = CheckAccounts(database_);
    ASSERT_TRUE(faults.ok()) << faults.status();
    EXPECT_THAT(*faults, IsEmpty());
  }

  // Open day and night.
  std::shared_ptr<const Fleet> OpenFleet() const {
    auto fleet = std::make_shared<Fleet>(*holder_.Get());
    for (Machine& machine : fleet->machines) machine.calendar = AlwaysOpen();
    return fleet;
  }

  std::int64_t At(int minute) const { return absl::ToUnixMicros(now_ - kDay) + std::int64_t{minute} * 60'000'000; }
  std::string When(int minute) const {
    return absl::FormatTime("%E4Y-%m-%dT%H:%M:%SZ", absl::FromUnixMicros(At(minute)) + absl::Seconds(1),
                            absl::UTCTimeZone());
  }

  void Deliver(const std::vector<v1::Event>& events) {
    ASSERT_TRUE(client_->SendBatch(epoch_, delivered_ + 1, events));
    delivered_ += events.size();
    const v1::ServerMessage ack = client_->Read();
    ASSERT_EQ(ack.ack().through_sequence(), delivered_) << ack.ShortDebugString();
    ASSERT_EQ(ack.ack().rejected(), 0u);
  }

  // Events 1 to 13: a wash (4 to 9) in which the gantry hangs, restored at 40, the next wash complete at 60.
  void DeliverWashAndOutage() {
    Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), Started("bay-2", At(0)),
             CycleBegan("bay-1", At(10), "c1"), StepReached("bay-1", At(11), "c1", "pre-soak"),
             SignalOf("bay-1", At(12), "top brush force", 212.5, "N", "c1"),
             SignalOf("bay-1", At(13), "touch bar", 1, ""), Raised("bay-1", At(14), kTravelTimeout),
             CycleEnded("bay-1", At(15), "c1", v1::CYCLE_OUTCOME_ABORTED), Raised("bay-2", At(16), kPressureLow)});
    Deliver({Cleared("bay-1", At(40), kTravelTimeout), CycleBegan("bay-1", At(50), "c2"),
             CycleEnded("bay-1", At(60), "c2")});
  }
  // Later ones, an hour and more after: Raised at 200, cleared at 210.
  void DeliverMore() { Deliver({Raised("bay-1", At(200), kPressureLow), Cleared("bay-1", At(210), kPressureLow)}); }

  // Time passes until the days of receipt so far are past their retention.
  void Expire(int cycle_days = 10'000) {
    const absl::Time later = absl::Now() + 80 * kDay;
    ASSERT_TRUE(TakeFoldCheckpoint(database_, later).ok());
    const auto dropped = DropExpired(database_, later, {.event_days = 10, .cycle_days = cycle_days});
    ASSERT_TRUE(dropped.ok()) << dropped.status();
    EXPECT_THAT(*dropped, Contains(EventPartition(absl::ToCivilDay(now_, absl::UTCTimeZone()))));
    EXPECT_EQ(Ask("SELECT count(*) FROM event"), 0);
  }

  v1::GetWashRecordResponse Record(int minute) {
    v1::GetWashRecordRequest request;
    request.set_machine("alder/bay-1");
    request.set_at(When(minute));
    auto record = handlers_.GetWashRecord(caller_, request);
    EXPECT_TRUE(record.ok()) << record.status();
    return record.ok() ? *std::move(record) : v1::GetWashRecordResponse();
  }
  v1::GetOutageResponse Outage(int minute) {
    v1::GetOutageRequest request;
    request.set_machine("alder/bay-1");
    request.set_at(When(minute));
    auto outage = handlers_.GetOutage(caller_, request);
    EXPECT_TRUE(outage.ok()) << outage.status();
    return outage.ok() ? *std::move(outage) : v1::GetOutageResponse();
  }
  v1::HoldRecordResponse HoldIt(int from, int to) {
    v1::HoldRecordRequest request;
    request.set_machine("alder/bay-1");
    request.set_from(When(from));
    request.set_to(When(to));
    request.set_by("claims desk");
    request.set_reason("damage reported");
    request.set_reference("C-1042");
    const auto held = handlers_.HoldRecord(caller_, request);
    EXPECT_TRUE(held.ok()) << held.status();
    return held.value_or(v1::HoldRecordResponse());
  }
  absl::StatusOr<v1::SettleUnknownResponse> Settle(int from, int to, const std::string& as) {
    v1::SettleUnknownRequest request;
    request.set_machine("alder/bay-1");
    request.set_from(When(from));
    request.set_to(When(to));
    request.set_as(as);
    request.set_by("shift lead");
    request.set_reason("seen by the attendant");
    return handlers_.SettleUnknown(caller_, request);
  }

  // Of bay-1, in [from, to).
  Availability AvailabilityOf(int from, int to) {
    const auto fleet = OpenFleet();
    const std::vector<MachineId> machines = {MachineId{1}};
    const Interval extent{absl::FromUnixMicros(At(0)) - kDay, now_};
    auto histories = histories_.Load(*fleet, machines, extent);
    EXPECT_TRUE(histories.ok()) << histories.status();
    const MachineTimeline timeline(std::move(histories->front()), AlwaysOpen(), extent, false);
    return ComputeAvailability(
        ComputeAccount(timeline, {absl::FromUnixMicros(At(from)), absl::FromUnixMicros(At(to))}));
  }

  void Run(const std::string& statement) {
    const absl::Status status = database_.Write("change", [&](pqxx::transaction_base& tx) {
      tx.exec(statement);
      return absl::OkStatus();
    });
    ASSERT_TRUE(status.ok()) << status;
  }
  absl::Status TryTo(const std::string& statement) {
    return database_.Write("try", [&](pqxx::transaction_base& tx) {
      tx.exec(statement);
      return absl::OkStatus();
    });
  }
  long Ask(const std::string& query) {
    long answer = -1;
    const absl::Status status = database_.Read("ask", [&](pqxx::transaction_base& tx) {
      answer = tx.exec1(query)[0].as<long>();
      return absl::OkStatus();
    });
    EXPECT_TRUE(status.ok()) << status;
    return answer;
  }

  // Partitions that a search for bay-1's events of that stretch looks into.
  int PartitionsRead(int from, int to) {
    int partitions = 0;
    const EventQuery query{.machine = {1},
                           .effective = {absl::FromUnixMicros(At(from)), absl::FromUnixMicros(At(to))},
                           .assignments = {1},
                           .agents = {{1}}};
    const absl::Status status = database_.Read("explain", [&](pqxx::transaction_base& tx) {
      for (const auto& row : tx.exec("EXPLAIN SELECT * FROM event WHERE " + EventCondition(tx, query))) {
        if (std::string_view(row[0].c_str()).find(" on event_") != std::string_view::npos) ++partitions;
      }
      return absl::OkStatus();
    });
    EXPECT_TRUE(status.ok()) << status;
    return partitions;
  }

  static std::vector<std::uint64_t> Sequences(const google::protobuf::RepeatedPtrField<v1::RawEventRow>& rows) {
    std::vector<std::uint64_t> sequences;
    for (const auto& row : rows) sequences.push_back(row.sequence());
    return sequences;
  }

  const absl::Time now_ = absl::Now();
  const std::string epoch_ = EpochBytes(7);
  std::uint64_t delivered_ = 0;
  TestCluster cluster_;
  Database& database_ = cluster_.database();
  FleetHolder holder_;
  std::unique_ptr<IngestServer> server_;
  std::unique_ptr<UplinkClient> client_;
  PostgresHistoryStore histories_{database_};
  PostgresEpochNames epochs_{database_};
  PostgresEventStore events_{database_};
  PostgresHoldStore holds_{database_};
  PostgresSettlementStore settlements_{database_};
  FakeClock clock_{now_};
  RecordHandlers handlers_{
      {histories_, epochs_, events_, holds_, settlements_, [this] { return OpenFleet(); }, clock_}};
  Caller caller_;
};

TEST_F(RecordTest, AnOutageLeadsToExactlyItsRawEvents) {
  DeliverWashAndOutage();
  DeliverMore();
  const v1::GetOutageResponse outage = Outage(20);
  EXPECT_EQ(outage.began_us(), At(14));
  EXPECT_EQ(outage.restored_us(), At(40));
  EXPECT_DOUBLE_EQ(outage.down_seconds(), 26 * 60);
  ASSERT_EQ(outage.spells_size(), 1);
  EXPECT_EQ(outage.spells(0).epoch(), epoch_);
  EXPECT_EQ(outage.spells(0).first_sequence(), 8u);
  EXPECT_EQ(outage.spells(0).last_sequence(), 11u);
  EXPECT_THAT(Sequences(outage.events()), ElementsAre(8, 9, 11, 12, 13));
  EXPECT_EQ(outage.events(0).words(), "fault raised: drive.travel_timeout, blocking");
  EXPECT_EQ(outage.events(0).epoch(), epoch_);
  EXPECT_EQ(outage.events(0).raw_code(), "E07");
  EXPECT_EQ(outage.events_left_out(), 0u);
  EXPECT_THAT(outage.notes(), Not(Contains(HasSubstr("retention"))));
}

TEST_F(RecordTest, OnlyPartitionsInWhichTheEventsCanBeAreRead) {
  DeliverWashAndOutage();
  // Nothing recorded later is here: they may come on any day yet.
  EXPECT_GE(PartitionsRead(10, 61), kPartitionDaysAhead);
  DeliverMore();
  EXPECT_LE(PartitionsRead(10, 61), 3);
  EXPECT_GE(PartitionsRead(10, 61), 1);
  EXPECT_THAT(Sequences(Outage(20).events()), ElementsAre(8, 9, 11, 12, 13));
  // A clock that stepped back within the stretch has events come in another order.
  Run(fmt::format("INSERT INTO voided_span VALUES ('{}', '{}', 1, 1, 1)", When(50), When(55)));
  EXPECT_GE(PartitionsRead(10, 61), kPartitionDaysAhead);
}

TEST_F(RecordTest, ASheetHasWhatWasDelivered) {
  DeliverWashAndOutage();
  const v1::GetWashRecordResponse record = Record(12);
  EXPECT_EQ(record.cycle(), "c1");
  EXPECT_EQ(record.outcome(), "aborted");
  EXPECT_THAT(Sequences(record.steps()), ElementsAre(5));
  EXPECT_THAT(Sequences(record.signals()), ElementsAre(6, 7));
  EXPECT_THAT(Sequences(record.events()), ElementsAre(1, 2, 4, 5, 6, 7, 8, 9, 11, 12, 13));
  ASSERT_EQ(record.faults_during_size(), 1);
  EXPECT_TRUE(record.faults_during(0).first_out());
  EXPECT_EQ(record.clock_quality(), "raw events: 11 synced");
  EXPECT_FALSE(record.held());
  ASSERT_EQ(record.unknown_size(), 2);
  EXPECT_EQ(record.unknown(0).to_us(), At(0));
  EXPECT_EQ(record.unknown(0).why(), "not watched before");
  EXPECT_EQ(record.unknown(1).from_us(), At(60));
  EXPECT_EQ(record.unknown(1).why(), "not delivered yet");
}

TEST_F(RecordTest, UnderAHoldTheSheetIsTheSameAfterItsPartitionIsDropped) {
  DeliverWashAndOutage();
  DeliverMore();
  const v1::GetWashRecordResponse before = Record(12);
  const v1::GetOutageResponse outage_before = Outage(20);
  EXPECT_EQ(HoldIt(-60, 90).events(), 11u);         // not those of bay-2, nor of minute 200
  EXPECT_EQ(Record(12).sha256(), before.sha256());  // held and stored: once each
  Expire();
  const v1::GetWashRecordResponse after = Record(12);
  EXPECT_TRUE(after.held());
  EXPECT_EQ(after.outside_reference(), "C-1042");
  EXPECT_EQ(after.canonical(), before.canonical());
  EXPECT_EQ(after.sha256(), before.sha256());
  EXPECT_THAT(after.notes(), Contains(HasSubstr("past their retention: of those only what a hold keeps is shown")));
  EXPECT_EQ(Sequences(Outage(20).events()), Sequences(outage_before.events()));
}

TEST_F(RecordTest, WithoutAHoldTheRawEventsGoAndTheSheetSaysSo) {
  DeliverWashAndOutage();
  DeliverMore();
  const v1::GetWashRecordResponse before = Record(12);
  Expire();
  const v1::GetWashRecordResponse after = Record(12);
  EXPECT_EQ(after.cycle(), "c1");  // what the timeline made of them is kept longer
  EXPECT_EQ(after.faults_during_size(), 1);
  EXPECT_THAT(after.events(), IsEmpty());
  EXPECT_THAT(after.steps(), IsEmpty());
  EXPECT_EQ(after.step_reached(), "");
  EXPECT_EQ(after.clock_quality(), "not known: no raw event");
  EXPECT_NE(after.sha256(), before.sha256());
  EXPECT_THAT(after.notes(), Contains(HasSubstr("past their retention")));
  EXPECT_THAT(Outage(20).notes(), Contains(HasSubstr("past their retention")));
  EXPECT_EQ(HoldIt(-60, 90).events(), 0u);  // too late
}

TEST_F(RecordTest, EventsDeliveredAfterTheHoldAreKeptToo) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), CycleBegan("bay-1", At(10), "c1")});
  EXPECT_EQ(HoldIt(-60, 90).events(), 3u);
  Deliver({StepReached("bay-1", At(11), "c1", "rinse"), CycleEnded("bay-1", At(15), "c1")});
  const v1::GetWashRecordResponse before = Record(12);
  Expire();
  EXPECT_EQ(Ask("SELECT count(*) FROM held_raw_event"), 5);
  EXPECT_EQ(Record(12).sha256(), before.sha256());
}

TEST_F(RecordTest, AHeldWashIsKnownWhenItsRowIsGoneToo) {
  DeliverWashAndOutage();
  const v1::GetWashRecordResponse before = Record(12);
  HoldIt(-60, 90);
  Expire(10);
  EXPECT_EQ(Ask("SELECT count(*) FROM cycle"), 0);
  const v1::GetWashRecordResponse after = Record(12);
  EXPECT_EQ(after.cycle(), "c1");
  EXPECT_EQ(after.programme(), before.programme());
  EXPECT_EQ(after.started_us(), before.started_us());
  EXPECT_EQ(after.finished_us(), before.finished_us());
  EXPECT_EQ(after.outcome(), before.outcome());
  EXPECT_EQ(Sequences(after.events()), Sequences(before.events()));
  EXPECT_FALSE(after.has_washes_since_clean());
}

TEST_F(RecordTest, UnderTwoHoldsAnEventIsReadOnceAndASecondHoldTakesOverFromTheFirst) {
  DeliverWashAndOutage();
  const v1::GetWashRecordResponse before = Record(12);
  HoldIt(-60, 90);
  Expire();
  EXPECT_EQ(HoldIt(-60, 90).events(), 11u);
  EXPECT_EQ(Ask("SELECT count(*) FROM held_raw_event"), 22);
  EXPECT_EQ(Sequences(Record(12).events()), Sequences(before.events()));
}

TEST_F(RecordTest, CopiesOfAReleasedHoldGoAMonthLater) {
  DeliverWashAndOutage();
  const std::uint64_t hold = HoldIt(-60, 90).hold();
  EXPECT_FALSE(TryTo("DELETE FROM held_raw_event").ok());
  EXPECT_FALSE(TryTo("UPDATE held_raw_event SET sequence = 0").ok());
  EXPECT_FALSE(TryTo("DELETE FROM record_hold").ok());
  v1::HoldRecordRequest release;
  release.set_release(hold);
  release.set_by("claims desk");
  release.set_reason("claim closed");
  const auto released = handlers_.HoldRecord(caller_, release);
  ASSERT_TRUE(released.ok()) << released.status();
  EXPECT_EQ(released->events(), 11u);
  EXPECT_EQ(handlers_.HoldRecord(caller_, release).status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_FALSE(Record(12).held());
  ASSERT_TRUE(ForgetReleased(database_, absl::Now() + kReleasedKept - kDay).ok());
  EXPECT_EQ(Ask("SELECT count(*) FROM held_raw_event"), 11);
  ASSERT_TRUE(ForgetReleased(database_, absl::Now() + kReleasedKept + kDay).ok());
  EXPECT_EQ(Ask("SELECT count(*) FROM held_raw_event"), 0);
  const auto listed = handlers_.ListHolds(caller_, {});
  ASSERT_TRUE(listed.ok()) << listed.status();
  ASSERT_EQ(listed->holds_size(), 1);
  EXPECT_NE(listed->holds(0).released_us(), 0);
  EXPECT_EQ(listed->holds(0).events(), 0u);
  Expire();  // a released hold keeps nothing of what goes now
  EXPECT_EQ(Ask("SELECT count(*) FROM held_raw_event"), 0);
}

TEST_F(RecordTest, WhatTheAgentDroppedIsSaid) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), CycleBegan("bay-1", At(10), "c1"),
           CycleEnded("bay-1", At(15), "c1")});
  v1::Event stone;
  stone.set_recorded_at_us(At(30));
  stone.set_clock(v1::CLOCK_STATE_SYNCED);
  stone.mutable_tombstone()->set_kind(v1::TOMBSTONE_KIND_OTHER);
  stone.mutable_tombstone()->set_last_sequence(9);
  stone.mutable_tombstone()->set_from_us(At(11));
  stone.mutable_tombstone()->set_to_us(At(14));
  stone.mutable_tombstone()->set_reason("disk full");
  ASSERT_TRUE(client_->SendBatch(epoch_, 5, {stone}));
  ASSERT_EQ(client_->Read().ack().through_sequence(), 9u);
  EXPECT_THAT(Record(12).notes(), Contains(HasSubstr("5 events of the machine's agent were dropped by the agent")));
}

TEST_F(RecordTest, SettlingUnknownTimeChangesAvailabilityAndTheLatestDecisionHolds) {
  v1::Event lost = Started("bay-1", At(160));
  lost.mutable_observation_lost()->set_from_us(At(100));
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), Raised("bay-1", At(20), kPressureLow),
           Cleared("bay-1", At(40), kPressureLow), lost, Started("bay-1", At(160)), SnapshotOf("bay-1", At(160)),
           CycleEnded("bay-1", At(300), "c1")});
  const Availability unknown = AvailabilityOf(0, 200);
  EXPECT_NEAR(*unknown.point, 120.0 / 140, 1e-9);
  EXPECT_NEAR(*unknown.low, 120.0 / 200, 1e-9);
  EXPECT_NEAR(*unknown.high, 180.0 / 200, 1e-9);
  const auto as_up = Settle(90, 170, "up");
  ASSERT_TRUE(as_up.ok()) << as_up.status();
  EXPECT_NEAR(as_up->unknown_seconds(), 3600, 1);
  EXPECT_NEAR(*AvailabilityOf(0, 200).point, 180.0 / 200, 1e-9);
  EXPECT_NEAR(*AvailabilityOf(0, 200).low, 180.0 / 200, 1e-9);
  ASSERT_TRUE(Settle(90, 170, "down").ok());
  EXPECT_NEAR(*AvailabilityOf(0, 200).point, 120.0 / 200, 1e-9);
  EXPECT_EQ(Ask("SELECT count(*) FROM settlement WHERE settled_by = 'shift lead' AND site_id = 1"), 2);
  EXPECT_FALSE(TryTo("DELETE FROM settlement").ok());
  EXPECT_EQ(Settle(10, 90, "up").status().code(), absl::StatusCode::kFailedPrecondition);
}

}  // namespace
}  // namespace bayward::testing
