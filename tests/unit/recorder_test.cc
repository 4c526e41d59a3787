#include "agent/recorder/recorder.h"

#include <filesystem>
#include <fstream>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "agent/spool/sqlite_spool.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "tests/support/failing_vfs.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

const absl::Time kStart = absl::FromUnixSeconds(1'800'000'000);

std::int64_t Us(absl::Time time) { return absl::ToUnixMicros(time); }

v1::Event Raised(const std::string& machine, v1::FaultClass fault_class) {
  v1::Event event;
  event.set_machine(machine);
  event.mutable_fault_raised()->set_fault_class(fault_class);
  return event;
}

// An agent's recorder and spool in a folder of the test's own.
class RecorderTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(::testing::TempDir()) / "bayward-recorder" /
              ::testing::UnitTest::GetInstance()->current_test_info()->name();
    std::filesystem::remove_all(folder_);
    StartAgent();
  }
  void TearDown() override {
    FailingVfs::SetFull(nullptr);
    EndAgent();
    std::filesystem::remove_all(folder_);
  }
  void StartAgent(std::vector<RecorderOptions::Machine> machines = {{"bay-1"}, {"bay-2"}, {"play", true}}) {
    SqliteSpoolOptions spool;
    spool.folder = folder_;
    spool.clock = &clock_;
    spool.vfs = FailingVfs::Name();
    auto opened = SqliteSpool::Open(spool);
    ASSERT_TRUE(opened.ok()) << opened.status();
    spool_ = *std::move(opened);
    RecorderOptions options;
    options.agent = "north";
    options.machines = std::move(machines);
    options.clock = &clock_;
    options.clock_synced = [this] { return synced_; };
    recorder_ = std::make_unique<Recorder>(options, *spool_);
    recorder_->Start();
  }
  // As if it had been killed: nothing is synced at the end.
  void EndAgent() {
    recorder_.reset();
    spool_.reset();
  }
  std::vector<v1::Event> Events(std::uint64_t after = 0) {
    std::vector<v1::Event> events;
    const auto entries = spool_->Read(spool_->Last().epoch, after, 100'000, 1 << 30);
    EXPECT_TRUE(entries.ok());
    for (const SpoolEntry& entry : *entries) {
      events.emplace_back();
      EXPECT_TRUE(events.back().ParseFromString(entry.event));
    }
    return events;
  }
  // "bay-1 fault_raised" …
  static std::vector<std::string> Told(const std::vector<v1::Event>& events) {
    std::vector<std::string> told;
    const auto* oneof = v1::Event::descriptor()->FindOneofByName("what");
    for (const v1::Event& event : events) {
      const auto* field = v1::Event::GetReflection()->GetOneofFieldDescriptor(event, oneof);
      told.push_back(event.machine() + " " + (field != nullptr ? field->name() : "nothing"));
    }
    return told;
  }
  std::vector<std::string> Told(std::uint64_t after = 0) { return Told(Events(after)); }
  // Fills the disk until a write fails.
  void FillDisk() {
    FailingVfs::SetFull([] { return true; });
    v1::Event reading = Raised("bay-2", v1::FAULT_CLASS_UNSPECIFIED);
    reading.mutable_level()->set_place(std::string(15'000, 'p'));
    const std::vector<v1::Event> many(100, reading);
    absl::Status status = absl::OkStatus();
    while (status.ok()) status = recorder_->RecordAll(many, "filler", "m");
    ASSERT_TRUE(absl::IsResourceExhausted(status)) << status;
    // What is left of the journal takes small events yet.
    status = absl::OkStatus();
    while (status.ok()) status = recorder_->RecordAll({Raised("bay-2", v1::FaultClass(1))}, "filler", "m");
  }

  FakeClock clock_{kStart};
  bool synced_ = true;
  std::filesystem::path folder_;
  std::unique_ptr<SqliteSpool> spool_;
  std::unique_ptr<Recorder> recorder_;
};

TEST_F(RecorderTest, EventsAreDated) {
  v1::Event event = Raised("bay-1", v1::FaultClass(1));
  event.set_effective_at_us(Us(kStart - absl::Minutes(5)));
  ASSERT_TRUE(recorder_->Record(event).ok());
  ASSERT_THAT(Events(), SizeIs(1));
  const v1::Event kept = Events()[0];
  EXPECT_EQ(kept.recorded_at_us(), Us(kStart));
  EXPECT_EQ(kept.monotonic_us(), absl::ToInt64Microseconds(clock_.Monotonic()));
  EXPECT_EQ(kept.clock(), v1::CLOCK_STATE_SYNCED);
  EXPECT_EQ(kept.effective_at_us(), Us(kStart - absl::Minutes(5)));
}

TEST_F(RecorderTest, EffectiveTimeIsAtMostAnHourBeforeAndNeverAfter) {
  v1::Event event = Raised("bay-1", v1::FaultClass(1));
  event.set_effective_at_us(Us(kStart - absl::Hours(2)));
  ASSERT_TRUE(recorder_->Record(event).ok());
  event.set_effective_at_us(Us(kStart + absl::Hours(2)));
  ASSERT_TRUE(recorder_->Record(event).ok());
  EXPECT_EQ(Events()[0].effective_at_us(), Us(kStart - absl::Hours(1)));
  EXPECT_EQ(Events()[1].effective_at_us(), Us(kStart));
}

TEST_F(RecorderTest, ClockOnceSyncedStaysSynced) {
  synced_ = false;
  EndAgent();
  StartAgent();
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(1))).ok());
  synced_ = true;
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(1))).ok());
  synced_ = false;
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(1))).ok());
  const auto events = Events();
  EXPECT_EQ(events[0].clock(), v1::CLOCK_STATE_UNSYNCED);
  EXPECT_EQ(events[1].clock(), v1::CLOCK_STATE_SYNCED);
  EXPECT_EQ(events[2].clock(), v1::CLOCK_STATE_SYNCED);
}

TEST_F(RecorderTest, EventWithoutMachineOrContentIsRefused) {
  v1::Event event;
  event.set_machine("bay-1");
  EXPECT_TRUE(absl::IsInvalidArgument(recorder_->Record(event)));
  EXPECT_TRUE(absl::IsInvalidArgument(recorder_->Record(Raised("", v1::FaultClass(1)))));
  EXPECT_THAT(Events(), IsEmpty());
}

TEST_F(RecorderTest, RehearsalIsTakenAsItIsWithItsMark) {
  v1::Event event = Raised("play", v1::FaultClass(1));
  event.set_rehearsal(true);
  event.set_recorded_at_us(42);
  event.set_effective_at_us(41);
  event.set_monotonic_us(7);
  event.set_clock(v1::CLOCK_STATE_SIMULATED);
  ASSERT_TRUE(recorder_->RecordAll({event, event}, "plan", "line 2").ok());
  ASSERT_THAT(Events(), SizeIs(2));
  EXPECT_EQ(Events()[1].SerializeAsString(), event.SerializeAsString());
  EXPECT_EQ(*recorder_->LastMark("plan"), "line 2");
  EXPECT_EQ(*recorder_->LastMark("other"), "");
}

TEST_F(RecorderTest, SourceGoodStartsObservationWithWhatHolds) {
  v1::Snapshot holds;
  holds.add_faults()->set_fault_class(v1::FaultClass(2));
  holds.set_mode(v1::MODE_IN_SERVICE);
  recorder_->SourceGood("bay-1", holds);
  EXPECT_THAT(Told(), ElementsAre("bay-1 observation_started", "bay-1 snapshot"));
  EXPECT_EQ(Events()[1].snapshot().SerializeAsString(), holds.SerializeAsString());
  // Good again without a loss between: what holds is told anew, observation goes on.
  recorder_->SourceGood("bay-1", {});
  EXPECT_THAT(Told(2), ElementsAre("bay-1 snapshot"));
}

TEST_F(RecorderTest, LossIsRecordedFromWhenTheSourceSays) {
  recorder_->SourceGood("bay-1", {});
  clock_.Advance(absl::Minutes(1));
  recorder_->SourceLost("bay-1", kStart + absl::Seconds(50), v1::LOSS_REASON_SOURCE_SILENT, "no answer");
  ASSERT_THAT(Told(2), ElementsAre("bay-1 observation_lost"));
  const v1::ObservationLost lost = Events(2)[0].observation_lost();
  EXPECT_EQ(lost.from_us(), Us(kStart + absl::Seconds(50)));
  EXPECT_EQ(lost.reason(), v1::LOSS_REASON_SOURCE_SILENT);
  EXPECT_EQ(lost.detail(), "no answer");
  recorder_->SourceGood("bay-1", {});
  EXPECT_THAT(Told(3), ElementsAre("bay-1 observation_started", "bay-1 snapshot"));
}

TEST_F(RecorderTest, RestartRecordsTheLossFromWhenTheAgentWasLastAlive) {
  recorder_->SourceGood("bay-1", {});
  clock_.Advance(absl::Seconds(90));
  recorder_->Tick();  // the minute's sync
  clock_.Advance(absl::Seconds(30));
  recorder_->Tick();
  EndAgent();
  clock_.Advance(absl::Hours(5));
  StartAgent();
  ASSERT_THAT(Told(), ElementsAre("bay-1 observation_lost"));  // bay-2 was never observed
  const v1::Event event = Events()[0];
  EXPECT_EQ(event.observation_lost().from_us(), Us(kStart + absl::Seconds(90)));
  EXPECT_EQ(event.observation_lost().reason(), v1::LOSS_REASON_AGENT_STOPPED);
  EXPECT_EQ(event.recorded_at_us(), Us(clock_.Now()));
  EndAgent();
  StartAgent();
  EXPECT_THAT(Told(), IsEmpty());  // told already
}

TEST_F(RecorderTest, MachineNoLongerWatchedIsLostAndForgotten) {
  recorder_->SourceGood("bay-2", {});
  EndAgent();
  StartAgent({{"bay-1"}});
  EXPECT_THAT(Told(), ElementsAre("bay-2 observation_lost"));
  EXPECT_THAT(recorder_->Live().machines(), SizeIs(1));
  EndAgent();
  StartAgent({{"bay-1"}});
  EXPECT_THAT(Told(), IsEmpty());
}

TEST_F(RecorderTest, RehearsedMachineGoesOnOverARestart) {
  v1::Event event;
  event.set_machine("play");
  event.set_rehearsal(true);
  event.set_recorded_at_us(Us(kStart - absl::Hours(1)));
  event.mutable_observation_started();
  ASSERT_TRUE(recorder_->RecordAll({event}, "plan", "1").ok());
  recorder_->Alive(kStart - absl::Hours(1));
  recorder_->Sync();
  EndAgent();
  StartAgent();
  EXPECT_THAT(Told(), IsEmpty());
  const v1::LiveReport live = recorder_->Live();
  for (const v1::MachineNow& machine : live.machines()) {
    EXPECT_EQ(machine.observed(), machine.machine() == "play");
    EXPECT_EQ(machine.rehearsal(), machine.machine() == "play");
  }
  EXPECT_EQ(recorder_->Heartbeat().alive_until_us(), Us(kStart - absl::Hours(1)));
}

TEST_F(RecorderTest, StateFollowsTheEvents) {
  recorder_->SourceGood("bay-1", {});
  v1::Event cycle;
  cycle.set_machine("bay-1");
  cycle.mutable_cycle_started()->set_cycle("c1");
  v1::Event mode;
  mode.set_machine("bay-1");
  mode.mutable_mode_changed()->set_mode(v1::MODE_CLOSED);
  mode.mutable_mode_changed()->set_reason(v1::MODE_REASON_FROST);
  v1::Event raised = Raised("bay-1", v1::FaultClass(3));
  raised.mutable_fault_raised()->set_effect(v1::EFFECT_BLOCKING);
  for (const v1::Event& event :
       {Raised("bay-1", v1::FaultClass(2)), Raised("bay-1", v1::FaultClass(3)), raised, cycle, mode}) {
    ASSERT_TRUE(recorder_->Record(event).ok());
  }
  v1::Event cleared;
  cleared.set_machine("bay-1");
  cleared.mutable_fault_cleared()->set_fault_class(v1::FaultClass(2));
  ASSERT_TRUE(recorder_->Record(cleared).ok());
  const v1::LiveReport report = recorder_->Live();
  EXPECT_EQ(report.at_sequence(), 8u);
  EXPECT_EQ(report.epoch(), spool_->Last().epoch);
  const v1::MachineNow now = report.machines(0);
  EXPECT_EQ(now.machine(), "bay-1");
  EXPECT_TRUE(now.observed());
  ASSERT_THAT(now.state().faults(), SizeIs(1));
  EXPECT_EQ(now.state().faults(0).fault_class(), v1::FaultClass(3));
  EXPECT_EQ(now.state().faults(0).effect(), v1::EFFECT_BLOCKING);
  EXPECT_EQ(now.state().mode(), v1::MODE_CLOSED);
  EXPECT_THAT(now.state().open_cycles(), ElementsAre("c1"));
  v1::Event finished;
  finished.set_machine("bay-1");
  finished.mutable_cycle_finished()->set_cycle("c1");
  ASSERT_TRUE(recorder_->Record(finished).ok());
  EXPECT_THAT(recorder_->Live().machines(0).state().open_cycles(), IsEmpty());
}

TEST_F(RecorderTest, SnapshotStaysUnderTheBoundOfAnEvent) {
  v1::Snapshot holds;
  for (int i = 1; i <= 60; ++i) {
    v1::ActiveFault& fault = *holds.add_faults();
    fault.set_fault_class(v1::FaultClass(i));
    fault.set_raw_text(std::string(512, 't'));
  }
  recorder_->SourceGood("bay-1", holds);
  EXPECT_LE(Events()[1].ByteSizeLong(), 16u * 1024);
  EXPECT_THAT(Events()[1].snapshot().faults(), SizeIs(60));
}

TEST_F(RecorderTest, ClockStepIsRecordedForEachMachine) {
  recorder_->Tick();
  clock_.Advance(absl::Seconds(10));
  clock_.StepWall(-absl::Minutes(2));
  recorder_->Tick();
  ASSERT_THAT(Told(), ElementsAre("bay-1 clock_stepped", "bay-2 clock_stepped"));
  EXPECT_EQ(Events()[0].clock_stepped().from_us(), Us(kStart + absl::Seconds(10)));
  EXPECT_EQ(Events()[0].clock_stepped().to_us(), Us(kStart + absl::Seconds(10) - absl::Minutes(2)));
  recorder_->Tick();
  EXPECT_THAT(Events(), SizeIs(2));
  // A step that nobody has looked at yet goes ahead of the next event.
  clock_.StepWall(absl::Minutes(2));
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(1))).ok());
  EXPECT_THAT(Told(2), ElementsAre("bay-1 clock_stepped", "bay-2 clock_stepped", "bay-1 fault_raised"));
}

TEST_F(RecorderTest, SlewOfTheClockIsNoStep) {
  for (int i = 0; i < 100; ++i) {
    clock_.Advance(absl::Seconds(1));
    clock_.StepWall(absl::Milliseconds(500));
    recorder_->Tick();
  }
  EXPECT_THAT(Events(), IsEmpty());
}

TEST_F(RecorderTest, ServerGetsTheSnapshotsItWantsOnce) {
  recorder_->SourceGood("bay-1", {});  // 1, 2
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(5))).ok());
  const std::string epoch = spool_->Last().epoch;
  recorder_->RecordSnapshots({"bay-1", "bay-2", "nobody"}, {epoch, 3});
  ASSERT_THAT(Told(3), ElementsAre("bay-1 snapshot"));  // bay-2 is not observed: nothing is known
  EXPECT_THAT(Events(3)[0].snapshot().faults(), SizeIs(1));
  recorder_->RecordSnapshots({"bay-1"}, {epoch, 3});  // the fourth is on its way
  EXPECT_EQ(spool_->Last().sequence, 4u);
  recorder_->RecordSnapshots({"bay-1"}, {epoch, 4});
  EXPECT_EQ(spool_->Last().sequence, 5u);
}

TEST_F(RecorderTest, RehearsedSnapshotHasTheScenariosTime) {
  v1::Event event;
  event.set_machine("play");
  event.set_rehearsal(true);
  event.mutable_observation_started();
  ASSERT_TRUE(recorder_->RecordAll({event}, "plan", "1").ok());
  recorder_->Alive(kStart - absl::Hours(9));
  recorder_->RecordSnapshots({"play"}, {spool_->Last().epoch, 1});
  ASSERT_THAT(Told(1), ElementsAre("play snapshot"));
  EXPECT_TRUE(Events(1)[0].rehearsal());
  EXPECT_EQ(Events(1)[0].recorded_at_us(), Us(kStart - absl::Hours(9)));
  EXPECT_EQ(Events(1)[0].clock(), v1::CLOCK_STATE_SIMULATED);
}

TEST_F(RecorderTest, RestoredImageBeginsANewEpochWithTheLoss) {
  recorder_->SourceGood("bay-1", {});
  clock_.Advance(absl::Minutes(2));
  recorder_->Sync();
  const std::string old = spool_->Last().epoch;
  EndAgent();
  clock_.Advance(absl::Hours(1));
  StartAgent();
  recorder_->SourceGood("bay-1", {});
  const std::string second = spool_->Last().epoch;
  ASSERT_TRUE(recorder_->StartNewEpoch(old, "more was received").ok());
  EXPECT_NE(spool_->Last().epoch, second);
  EXPECT_THAT(Told(), ElementsAre("bay-1 observation_lost", "bay-1 observation_started", "bay-1 snapshot",
                                  "bay-2 observation_lost"));
  const v1::ObservationLost lost = Events()[0].observation_lost();
  EXPECT_EQ(lost.reason(), v1::LOSS_REASON_IMAGE_RESTORED);
  EXPECT_EQ(lost.from_us(), Us(kStart + absl::Minutes(2)));
  EXPECT_EQ(lost.detail(), "more was received");
  ASSERT_THAT(spool_->Held(), SizeIs(2));
  EXPECT_EQ(spool_->Held()[0].epoch, second);
  EXPECT_EQ(spool_->Held()[1].predecessor, second);
}

TEST_F(RecorderTest, DamagedSpoolIsALossFromTheLastDelivery) {
  recorder_->SourceGood("bay-1", {});
  spool_->Acknowledge(spool_->Last().epoch, 2);
  clock_.Advance(absl::Minutes(1));
  recorder_->Tick();  // delivered up to here
  clock_.Advance(absl::Minutes(1));
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(1))).ok());
  clock_.Advance(absl::Minutes(1));
  const std::vector<v1::Event> many(3000, Raised("bay-2", v1::FaultClass(1)));
  ASSERT_TRUE(recorder_->RecordAll(many, "s", "m").ok());
  EndAgent();
  {
    std::fstream file(folder_ / "spool.db", std::ios::in | std::ios::out | std::ios::binary);
    file.seekp(20 * 4096);
    file << std::string(4096, '\x5a');
  }
  StartAgent();
  ASSERT_THAT(Told(), ElementsAre("bay-1 observation_lost", "bay-2 observation_lost"));
  EXPECT_EQ(Events()[0].observation_lost().reason(), v1::LOSS_REASON_SPOOL_DAMAGED);
  EXPECT_EQ(Events()[0].observation_lost().from_us(), Us(kStart + absl::Minutes(1)));
  EXPECT_THAT(Events()[0].observation_lost().detail(), HasSubstr("spool.db.damaged-"));
}

TEST_F(RecorderTest, UnreadableSpoolIsALossSinceAnUnknownTime) {
  recorder_->SourceGood("bay-1", {});
  EndAgent();
  std::ofstream(folder_ / "spool.db") << "no database";
  StartAgent();
  ASSERT_THAT(Told(), ElementsAre("bay-1 observation_lost", "bay-2 observation_lost"));
  EXPECT_EQ(Events()[0].observation_lost().from_us(), 0);
}

TEST_F(RecorderTest, DamageFoundWhileInUseKeepsWhatHolds) {
  recorder_->SourceGood("bay-1", {});
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(7))).ok());
  const std::string old = spool_->Last().epoch;
  recorder_->ReplaceDamagedSpool();
  EXPECT_NE(spool_->Last().epoch, old);
  ASSERT_THAT(Told(), ElementsAre("bay-1 observation_lost", "bay-1 observation_started", "bay-1 snapshot",
                                  "bay-2 observation_lost"));
  EXPECT_EQ(Events()[2].snapshot().faults(0).fault_class(), v1::FaultClass(7));
}

TEST_F(RecorderTest, FullDiskIsToldAndMadeGoodOnceThereIsRoom) {
  EndAgent();
  StartAgent({{"bay-1"}, {"bay-2"}});
  recorder_->SourceGood("bay-1", {});
  FillDisk();
  const std::uint64_t before = spool_->Last().sequence;
  clock_.Advance(absl::Seconds(3));  // no new try to make room yet
  const absl::Time failed = clock_.Now();
  EXPECT_TRUE(absl::IsResourceExhausted(recorder_->Record(Raised("bay-1", v1::FaultClass(1)))));
  // What a source does then: it reports the loss, and what holds once it reads again.
  recorder_->SourceLost("bay-1", clock_.Now(), v1::LOSS_REASON_SOURCE_FAILED, "not recorded");
  clock_.Advance(absl::Seconds(1));
  v1::Snapshot holds;
  holds.add_faults()->set_fault_class(v1::FaultClass(1));
  recorder_->SourceGood("bay-1", holds);
  EXPECT_EQ(spool_->Last().sequence, before);
  EXPECT_EQ(recorder_->Heartbeat().alive_until_us(), 0);  // more is known than recorded
  clock_.Advance(absl::Seconds(1));
  FailingVfs::SetFull(nullptr);
  recorder_->Tick();
  ASSERT_THAT(Told(before), ElementsAre(" tombstone", "bay-1 observation_lost", "bay-1 observation_started",
                                        "bay-1 snapshot"));
  const auto events = Events(before);
  EXPECT_EQ(events[0].tombstone().kind(), v1::TOMBSTONE_KIND_STATE);
  EXPECT_THAT(events[0].tombstone().machines(), ElementsAre("bay-1"));
  EXPECT_EQ(events[0].tombstone().last_sequence(), before + 1);
  EXPECT_EQ(events[1].observation_lost().from_us(), Us(failed));
  EXPECT_THAT(events[3].snapshot().faults(), SizeIs(1));
  EXPECT_EQ(recorder_->Heartbeat().alive_until_us(), Us(clock_.Now()));
}

TEST_F(RecorderTest, HeartbeatTellsHowThingsStand) {
  EndAgent();
  StartAgent({{"bay-1"}});
  recorder_->SourceGood("bay-1", {});
  spool_->Acknowledge(spool_->Last().epoch, 1);
  clock_.Advance(absl::Seconds(5));
  const v1::Heartbeat heartbeat = recorder_->Heartbeat();
  EXPECT_EQ(heartbeat.epoch(), spool_->Last().epoch);
  EXPECT_EQ(heartbeat.last_sequence(), 2u);
  EXPECT_EQ(heartbeat.alive_until_us(), Us(clock_.Now()));
  EXPECT_EQ(heartbeat.spool_events(), 1u);
  EXPECT_GT(heartbeat.spool_bytes(), 0u);
  EXPECT_EQ(heartbeat.spool_bytes_max(), 256u << 20);
  EXPECT_EQ(heartbeat.wall_us(), Us(clock_.Now()));
  EXPECT_EQ(heartbeat.clock(), v1::CLOCK_STATE_SYNCED);
}

TEST_F(RecorderTest, ListenerIsCalledAfterEachRecord) {
  int calls = 0;
  recorder_->SetChanged([&calls] { ++calls; });
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(1))).ok());
  EXPECT_EQ(calls, 1);
  recorder_->SetChanged(nullptr);
  ASSERT_TRUE(recorder_->Record(Raised("bay-1", v1::FaultClass(1))).ok());
  EXPECT_EQ(calls, 1);
}

}  // namespace
}  // namespace bayward
