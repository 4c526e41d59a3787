#include "agent/spool/sqlite_spool.h"

#include <filesystem>
#include <fstream>
#include <set>
#include <string>
#include <vector>

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

class SqliteSpoolTest : public ::testing::Test {
 protected:
  void SetUp() override {
    options_.folder = std::filesystem::path(::testing::TempDir()) / "bayward-spool" /
                      ::testing::UnitTest::GetInstance()->current_test_info()->name();
    std::filesystem::remove_all(options_.folder);
    options_.bytes_max = 1 << 20;
    options_.boot = std::string(16, 'b');
    options_.clock = &clock_;
    options_.vfs = FailingVfs::Name();
    Open();
  }
  void TearDown() override {
    FailingVfs::SetFull(nullptr);
    FailingVfs::SetSyncFails(false);
    spool_.reset();
    std::filesystem::remove_all(options_.folder);
  }
  void Open() {
    spool_.reset();
    auto opened = SqliteSpool::Open(options_);
    ASSERT_TRUE(opened.ok()) << opened.status();
    spool_ = *std::move(opened);
  }

  v1::Event At(const std::string& machine) {
    v1::Event event;
    event.set_machine(machine);
    event.set_recorded_at_us(absl::ToUnixMicros(clock_.Now()));
    clock_.Advance(absl::Seconds(1));
    return event;
  }
  v1::Event Fault(const std::string& machine = "bay-1") {
    v1::Event event = At(machine);
    event.mutable_fault_raised()->set_raw_text(std::string(100, 't'));
    return event;
  }
  v1::Event Cycle(const std::string& machine = "bay-1") {
    v1::Event event = At(machine);
    event.mutable_cycle_started()->set_cycle(std::string(100, 'c'));
    return event;
  }
  v1::Event Reading(const std::string& machine = "bay-1") {
    v1::Event event = At(machine);
    event.mutable_level()->set_unit("bar");
    event.mutable_level()->set_place(std::string(100, 'p'));
    return event;
  }
  absl::Status Write(std::vector<v1::Event> events) {
    SpoolWrite write;
    write.events = std::move(events);
    write.alive.wall = clock_.Now();
    return spool_->Write(write).status();
  }
  // Everything of an epoch.
  std::vector<SpoolEntry> ReadAll(const std::string& epoch, std::uint64_t after = 0) {
    auto entries = spool_->Read(epoch, after, 1'000'000, 1 << 30);
    EXPECT_TRUE(entries.ok()) << entries.status();
    return entries.ok() ? *entries : std::vector<SpoolEntry>();
  }
  std::vector<SpoolEntry> ReadOwn(std::uint64_t after = 0) { return ReadAll(spool_->Last().epoch, after); }
  static v1::Event Parse(const SpoolEntry& entry) {
    v1::Event event;
    EXPECT_TRUE(event.ParseFromString(entry.event));
    return event;
  }
  // The numbers from `first` on follow each other without gap or overlap; gives the last.
  static std::uint64_t ExpectContiguous(const std::vector<SpoolEntry>& entries, std::uint64_t first = 1) {
    std::uint64_t next = first;
    for (const SpoolEntry& entry : entries) {
      EXPECT_EQ(entry.sequence, next);
      const v1::Event event = Parse(entry);
      if (event.has_tombstone()) {
        EXPECT_EQ(event.tombstone().last_sequence(), entry.last_sequence);
      } else {
        EXPECT_EQ(entry.last_sequence, entry.sequence);
      }
      EXPECT_GE(entry.last_sequence, entry.sequence);
      next = entry.last_sequence + 1;
    }
    return next - 1;
  }

  FakeClock clock_{kStart};
  SqliteSpoolOptions options_;
  std::unique_ptr<SqliteSpool> spool_;
};

TEST_F(SqliteSpoolTest, EventsGetNumbersFromOneAndAreReadInOrder) {
  ASSERT_TRUE(Write({Fault("a"), Cycle("b")}).ok());
  ASSERT_TRUE(Write({Fault("c")}).ok());
  EXPECT_EQ(spool_->Last().sequence, 3u);
  const auto entries = ReadOwn();
  ASSERT_THAT(entries, SizeIs(3));
  EXPECT_EQ(ExpectContiguous(entries), 3u);
  EXPECT_EQ(Parse(entries[0]).machine(), "a");
  EXPECT_EQ(Parse(entries[2]).machine(), "c");
  EXPECT_THAT(ReadOwn(2), SizeIs(1));
  EXPECT_THAT(ReadOwn(3), IsEmpty());
}

TEST_F(SqliteSpoolTest, ReadStopsAtItsLimitsButGivesAtLeastOne) {
  ASSERT_TRUE(Write({Reading(), Reading(), Reading()}).ok());
  const std::string epoch = spool_->Last().epoch;
  EXPECT_THAT(*spool_->Read(epoch, 0, 2, 1 << 20), SizeIs(2));
  EXPECT_THAT(*spool_->Read(epoch, 0, 10, 1), SizeIs(1));
  EXPECT_THAT(*spool_->Read(std::string(16, 'x'), 0, 10, 1 << 20), IsEmpty());
}

TEST_F(SqliteSpoolTest, EachStartIsAnEpochThatNamesItsPredecessor) {
  const std::string first = spool_->Last().epoch;
  EXPECT_THAT(first, SizeIs(16));
  ASSERT_TRUE(Write({Fault(), Fault()}).ok());
  Open();
  const auto held = spool_->Held();
  ASSERT_THAT(held, SizeIs(2));
  EXPECT_EQ(held[0].epoch, first);
  EXPECT_EQ(held[0].oldest, 1u);
  EXPECT_EQ(held[0].last, 2u);
  EXPECT_EQ(held[1].predecessor, first);
  EXPECT_EQ(held[1].boot, options_.boot);
  EXPECT_EQ(held[1].oldest, 1u);
  EXPECT_EQ(held[1].last, 0u);
  EXPECT_NE(held[1].epoch, first);
  EXPECT_THAT(ReadAll(first), SizeIs(2));
}

TEST_F(SqliteSpoolTest, EpochThatNobodyHeardOfIsLeftOutOfTheChain) {
  const std::string first = spool_->Last().epoch;
  ASSERT_TRUE(Write({Fault()}).ok());
  Open();  // records nothing, tells nobody
  Open();
  ASSERT_THAT(spool_->Held(), SizeIs(2));
  EXPECT_EQ(spool_->Held()[1].predecessor, first);
  const std::string told = spool_->Last().epoch;
  spool_->Resume(told, 0);
  ASSERT_TRUE(spool_->Sync({}).ok());
  Open();
  EXPECT_EQ(spool_->Held().back().predecessor, told);
}

TEST_F(SqliteSpoolTest, WhatALaterProcessIsToFindIsWrittenWithTheEvents) {
  EXPECT_FALSE(spool_->found().alive.wall.has_value());
  SpoolWrite write;
  write.events = {Fault()};
  write.alive = {kStart + absl::Minutes(5), kStart - absl::Hours(9), kStart + absl::Minutes(4)};
  write.states = {{"bay-1", "on"}, {"bay-2", "off"}};
  write.mark = {"plan", "line 7"};
  ASSERT_TRUE(spool_->Write(write).ok());
  write.events.clear();
  write.states = {{"bay-2", ""}};
  write.alive = {};
  write.mark.reset();
  ASSERT_TRUE(spool_->Write(write).ok());
  Open();
  EXPECT_EQ(spool_->found().alive.wall, kStart + absl::Minutes(5));
  EXPECT_EQ(spool_->found().alive.rehearsed, kStart - absl::Hours(9));
  EXPECT_EQ(spool_->found().alive.delivered, kStart + absl::Minutes(4));
  EXPECT_THAT(spool_->found().states, ElementsAre(std::pair<const std::string, std::string>("bay-1", "on")));
  EXPECT_EQ(*spool_->Mark("plan"), "line 7");
  EXPECT_EQ(*spool_->Mark("other"), "");
  EXPECT_FALSE(spool_->found().damage.has_value());
}

TEST_F(SqliteSpoolTest, SyncKeepsAliveUntilAndAcknowledgements) {
  ASSERT_TRUE(Write({Fault(), Fault(), Fault()}).ok());
  const std::string epoch = spool_->Last().epoch;
  spool_->Acknowledge(epoch, 2);
  EXPECT_EQ(spool_->Counts().unacknowledged, 1u);
  spool_->Acknowledge(epoch, 1);  // never moves back
  EXPECT_EQ(spool_->Counts().unacknowledged, 1u);
  ASSERT_TRUE(spool_->Sync({kStart + absl::Hours(2), std::nullopt, std::nullopt}).ok());
  Open();
  EXPECT_EQ(spool_->found().alive.wall, kStart + absl::Hours(2));
  EXPECT_EQ(spool_->Held()[0].acknowledged, 2u);
}

TEST_F(SqliteSpoolTest, RestoredServerGetsAgainWhatItLost) {
  ASSERT_TRUE(Write({Fault(), Fault(), Fault()}).ok());
  const std::string epoch = spool_->Last().epoch;
  spool_->Acknowledge(epoch, 3);
  EXPECT_EQ(spool_->Counts().unacknowledged, 0u);
  spool_->Resume(epoch, 1);
  EXPECT_EQ(spool_->Counts().unacknowledged, 2u);
  EXPECT_THAT(ReadOwn(1), SizeIs(2));
}

TEST_F(SqliteSpoolTest, AcknowledgedEventsAreKeptSevenDays) {
  ASSERT_TRUE(Write({Fault(), Fault(), Fault()}).ok());
  const std::string epoch = spool_->Last().epoch;
  spool_->Acknowledge(epoch, 2);
  clock_.Advance(absl::Hours(6 * 24));
  ASSERT_TRUE(spool_->Sync({}).ok());
  EXPECT_THAT(ReadOwn(), SizeIs(3));
  clock_.Advance(absl::Hours(2 * 24));
  ASSERT_TRUE(spool_->Sync({}).ok());
  EXPECT_THAT(ReadOwn(), SizeIs(1));  // the third is not acknowledged
  EXPECT_EQ(spool_->Held().back().oldest, 3u);
  spool_->Acknowledge(epoch, 3);
  ASSERT_TRUE(spool_->Sync({}).ok());
  EXPECT_EQ(spool_->Held().back().oldest, 4u);
  EXPECT_EQ(spool_->Held().back().last, 3u);
  ASSERT_TRUE(Write({Fault()}).ok());
  EXPECT_EQ(spool_->Last().sequence, 4u);
  EXPECT_EQ(spool_->Held().back().oldest, 4u);
}

TEST_F(SqliteSpoolTest, EpochIsForgottenOnceAllOfItIsAcknowledgedAndOld) {
  ASSERT_TRUE(Write({Fault()}).ok());
  const std::string first = spool_->Last().epoch;
  Open();
  spool_->Acknowledge(first, 1);
  clock_.Advance(absl::Hours(8 * 24));
  ASSERT_TRUE(spool_->Sync({}).ok());
  EXPECT_THAT(spool_->Held(), SizeIs(1));
  EXPECT_EQ(spool_->Held()[0].predecessor, first);
}

TEST_F(SqliteSpoolTest, FullSpoolGivesUpAcknowledgedEventsFirst) {
  for (int i = 0; i < 40; ++i) ASSERT_TRUE(Write(std::vector<v1::Event>(50, Reading())).ok());
  spool_->Acknowledge(spool_->Last().epoch, 1500);
  while (spool_->Held().back().oldest == 1) ASSERT_TRUE(Write(std::vector<v1::Event>(50, Reading())).ok());
  EXPECT_LE(spool_->Held().back().oldest, 1501u);
  EXPECT_EQ(spool_->Counts().dropped, 0u);
  EXPECT_LE(spool_->Counts().bytes, options_.bytes_max);
}

class FullSpoolTest : public SqliteSpoolTest {
 protected:
  // Writes faults until more events have been dropped.
  void DropMore() {
    const std::uint64_t before = spool_->Counts().dropped;
    while (spool_->Counts().dropped == before)
      ASSERT_TRUE(Write(std::vector<v1::Event>(50, Fault("a"))).ok());
  }
  std::set<int> Kinds() {
    std::set<int> kinds;
    for (const SpoolEntry& entry : ReadOwn()) {
      const v1::Event event = Parse(entry);
      if (event.has_tombstone()) kinds.insert(event.tombstone().kind());
    }
    return kinds;
  }
};

TEST_F(FullSpoolTest, DropsReadingsThenCyclesThenTheRest) {
  ASSERT_TRUE(Write(std::vector<v1::Event>(100, Fault("a"))).ok());     // 1 to 100
  ASSERT_TRUE(Write(std::vector<v1::Event>(2500, Cycle("b"))).ok());    // 101 to 2600
  ASSERT_TRUE(Write(std::vector<v1::Event>(2500, Reading("c"))).ok());  // 2601 to 5100
  DropMore();
  const auto entries = ReadOwn();
  EXPECT_EQ(ExpectContiguous(entries), spool_->Last().sequence);
  // The oldest readings, and nothing else.
  EXPECT_EQ(Kinds(), std::set<int>({v1::TOMBSTONE_KIND_OTHER}));
  ASSERT_EQ(entries[2600].sequence, 2601u);
  const v1::Event event = Parse(entries[2600]);
  const v1::Tombstone& tombstone = event.tombstone();
  EXPECT_EQ(event.machine(), "");
  EXPECT_THAT(tombstone.machines(), ElementsAre("c"));
  EXPECT_EQ(tombstone.last_sequence() - 2600, spool_->Counts().dropped);
  EXPECT_GT(tombstone.from_us(), absl::ToUnixMicros(kStart));
  EXPECT_GE(tombstone.to_us(), tombstone.from_us());

  while (!Kinds().contains(v1::TOMBSTONE_KIND_CYCLES)) DropMore();
  EXPECT_FALSE(Kinds().contains(v1::TOMBSTONE_KIND_STATE));
  EXPECT_GE(spool_->Counts().dropped, 2500u);
  EXPECT_EQ(ExpectContiguous(ReadOwn()), spool_->Last().sequence);

  while (!Kinds().contains(v1::TOMBSTONE_KIND_STATE)) DropMore();
  EXPECT_GE(spool_->Counts().dropped, 5000u);
  EXPECT_EQ(ExpectContiguous(ReadOwn()), spool_->Last().sequence);
  EXPECT_EQ(Parse(ReadOwn().back()).machine(), "a");
  EXPECT_LE(spool_->Counts().bytes, options_.bytes_max);
}

TEST_F(SqliteSpoolTest, TombstoneBegunBeforeTheWatermarkStandsForTheRest) {
  while (spool_->Counts().dropped == 0) ASSERT_TRUE(Write(std::vector<v1::Event>(50, Reading())).ok());
  const std::uint64_t last = ReadOwn()[0].last_sequence;
  ASSERT_GT(last, 10u);
  const auto rest = ReadOwn(10);
  EXPECT_EQ(rest[0].sequence, 11u);
  EXPECT_EQ(rest[0].last_sequence, last);
  EXPECT_EQ(ReadOwn(last)[0].sequence, last + 1);
  EXPECT_EQ(ExpectContiguous(rest, 11), spool_->Last().sequence);
}

TEST_F(SqliteSpoolTest, DroppedEventsAreCountedOverRestarts) {
  while (spool_->Counts().dropped == 0) ASSERT_TRUE(Write(std::vector<v1::Event>(50, Reading())).ok());
  const std::uint64_t dropped = spool_->Counts().dropped;
  const std::uint64_t unacknowledged = spool_->Counts().unacknowledged;
  Open();
  EXPECT_EQ(spool_->Counts().dropped, dropped);
  EXPECT_EQ(spool_->Counts().unacknowledged, unacknowledged);
}

TEST_F(SqliteSpoolTest, OversizedEventBecomesATombstone) {
  v1::Event huge = Reading("c");
  huge.mutable_level()->set_place(std::string(SqliteSpool::kEventBytesMax + 1, 'x'));
  ASSERT_TRUE(Write({Fault(), huge, Fault()}).ok());
  const auto entries = ReadOwn();
  EXPECT_EQ(ExpectContiguous(entries), 3u);
  EXPECT_EQ(Parse(entries[1]).tombstone().kind(), v1::TOMBSTONE_KIND_OTHER);
  EXPECT_THAT(Parse(entries[1]).tombstone().reason(), HasSubstr("at most 65536"));
}

TEST_F(SqliteSpoolTest, FullDiskIsToldAndTheLossRecordedOnceThereIsRoom) {
  ASSERT_TRUE(Write({Fault()}).ok());
  FailingVfs::SetFull([] { return true; });
  absl::Status status = absl::OkStatus();
  int lost = 0;
  // The journal has room for some more at first.
  while (status.ok()) status = Write(std::vector<v1::Event>(50, Reading("c")));
  EXPECT_TRUE(absl::IsResourceExhausted(status)) << status;
  const std::uint64_t last = spool_->Last().sequence;
  for (int i = 0; i < 3; ++i) {
    const std::vector<v1::Event> events = {Fault("d"), Reading("c")};
    EXPECT_TRUE(absl::IsResourceExhausted(Write(std::vector<v1::Event>(200, events[0]))));
    spool_->NoteLost(events, "the disk was full");
    lost += 2;
  }
  EXPECT_EQ(spool_->Last().sequence, last);
  FailingVfs::SetFull(nullptr);
  ASSERT_TRUE(Write({Fault("e")}).ok());
  EXPECT_EQ(spool_->Last().sequence, last + static_cast<std::uint64_t>(lost) + 1);
  const auto entries = ReadOwn(last);
  ASSERT_THAT(entries, SizeIs(2));
  EXPECT_EQ(ExpectContiguous(entries, last + 1), spool_->Last().sequence);
  const v1::Event tombstone = Parse(entries[0]);
  EXPECT_EQ(tombstone.tombstone().kind(), v1::TOMBSTONE_KIND_STATE);
  EXPECT_THAT(tombstone.tombstone().machines(), ElementsAre("c", "d"));
  EXPECT_EQ(tombstone.tombstone().reason(), "the disk was full");
}

TEST_F(SqliteSpoolTest, ReserveLetsAFullDiskMakeRoom) {
  const std::filesystem::path reserve = options_.folder / "spool.reserve";
  EXPECT_EQ(std::filesystem::file_size(reserve), SqliteSpool::kReserveBytes);
  ASSERT_TRUE(Write(std::vector<v1::Event>(1000, Reading())).ok());
  FailingVfs::SetFull([reserve] { return std::filesystem::exists(reserve); });
  while (std::filesystem::exists(reserve)) ASSERT_TRUE(Write(std::vector<v1::Event>(50, Fault())).ok());
  EXPECT_GT(spool_->Counts().dropped, 0u);
  EXPECT_EQ(ExpectContiguous(ReadOwn()), spool_->Last().sequence);
  ASSERT_TRUE(spool_->Sync({}).ok());
  EXPECT_TRUE(std::filesystem::exists(reserve));
}

TEST_F(SqliteSpoolTest, FailedSyncKeepsNothingAndDropsNothing) {
  ASSERT_TRUE(Write({Fault()}).ok());
  FailingVfs::SetSyncFails(true);
  EXPECT_TRUE(absl::IsResourceExhausted(Write({Fault()})));
  EXPECT_EQ(spool_->Last().sequence, 1u);
  FailingVfs::SetSyncFails(false);
  ASSERT_TRUE(Write({Fault()}).ok());
  EXPECT_EQ(ExpectContiguous(ReadOwn()), 2u);
  EXPECT_EQ(spool_->Counts().dropped, 0u);
}

TEST_F(SqliteSpoolTest, ForgottenEpochIsGone) {
  ASSERT_TRUE(Write({Fault(), Fault()}).ok());
  const std::string first = spool_->Last().epoch;
  EXPECT_TRUE(absl::IsFailedPrecondition(spool_->Forget(first)));
  EXPECT_EQ(spool_->generation(), 1u);
  ASSERT_TRUE(spool_->BeginEpoch().ok());
  EXPECT_EQ(spool_->generation(), 2u);
  EXPECT_EQ(spool_->Held().back().predecessor, first);
  ASSERT_TRUE(spool_->Forget(first).ok());
  EXPECT_THAT(spool_->Held(), SizeIs(1));
  EXPECT_THAT(ReadAll(first), IsEmpty());
  EXPECT_EQ(spool_->Counts().unacknowledged, 0u);
}

TEST_F(SqliteSpoolTest, SecondProcessIsRefused) {
  EXPECT_TRUE(absl::IsAlreadyExists(SqliteSpool::Open(options_).status()));
  spool_.reset();
  EXPECT_TRUE(SqliteSpool::Open(options_).ok());
}

class DamagedSpoolTest : public SqliteSpoolTest {
 protected:
  void SetUp() override {
    SqliteSpoolTest::SetUp();
    SpoolWrite write;
    write.events = std::vector<v1::Event>(kEvents, Reading());
    write.alive.wall = kStart + absl::Hours(1);
    write.mark = {"plan", "line 7"};
    ASSERT_TRUE(spool_->Write(write).ok());
    first_ = spool_->Last().epoch;
    spool_.reset();
  }
  // Bytes from `from` on are overwritten; 0 cuts the file there instead.
  void Damage(std::uintmax_t from, std::size_t count) {
    const std::filesystem::path file = options_.folder / "spool.db";
    ASSERT_GT(std::filesystem::file_size(file), from);
    if (count == 0) {
      std::filesystem::resize_file(file, from);
      return;
    }
    std::fstream stream(file, std::ios::in | std::ios::out | std::ios::binary);
    stream.seekp(static_cast<std::streamoff>(from));
    stream << std::string(count, '\x5a');
  }
  void ExpectNewSpool() {
    Open();
    EXPECT_TRUE(spool_->found().damage.has_value());
    ASSERT_THAT(spool_->Held(), SizeIs(1));
    EXPECT_NE(spool_->Held()[0].epoch, first_);
    EXPECT_TRUE(Write({Fault()}).ok());
    EXPECT_EQ(spool_->Last().sequence, 1u);
    int aside = 0;
    for (const auto& entry : std::filesystem::directory_iterator(options_.folder)) {
      if (entry.path().filename().string().rfind("spool.db.damaged-", 0) == 0) ++aside;
    }
    EXPECT_EQ(aside, 1);
    Open();  // the new one is whole
    EXPECT_FALSE(spool_->found().damage.has_value());
  }
  static constexpr std::size_t kEvents = 4000;  // more than SQLite keeps in memory
  std::string first_;
};

TEST_F(DamagedSpoolTest, UndamagedSpoolIsTaken) {
  Open();
  EXPECT_FALSE(spool_->found().damage.has_value());
  EXPECT_THAT(ReadAll(first_), SizeIs(kEvents));
}

TEST_F(DamagedSpoolTest, OverwrittenPageIsFoundAndTheRestSalvaged) {
  Damage(8 * 4096, 4096);
  ExpectNewSpool();
  EXPECT_EQ(*spool_->Mark("plan"), "line 7");
}

TEST_F(DamagedSpoolTest, AliveUntilIsSalvaged) {
  Damage(12 * 4096, 4096);
  Open();
  ASSERT_TRUE(spool_->found().damage.has_value());
  EXPECT_EQ(spool_->found().alive.wall, kStart + absl::Hours(1));
}

TEST_F(DamagedSpoolTest, OverwrittenHeaderLeavesTheTimeUnknown) {
  Damage(0, 4096);
  Open();
  EXPECT_TRUE(spool_->found().damage.has_value());
  EXPECT_FALSE(spool_->found().alive.wall.has_value());
}

TEST_F(DamagedSpoolTest, TornFile) {
  Damage(10 * 4096 + 100, 0);
  ExpectNewSpool();
}

TEST_F(DamagedSpoolTest, EmptyFile) {
  Damage(0, 0);
  ExpectNewSpool();
}

TEST_F(DamagedSpoolTest, MissingFile) {
  std::filesystem::remove(options_.folder / "spool.db");
  ExpectNewSpool();
}

TEST_F(DamagedSpoolTest, LaterFormatIsRefusedAndLeftAlone) {
  const std::filesystem::path file = options_.folder / "spool.db";
  Damage(60, 0 + 4);  // the header's user version
  EXPECT_TRUE(absl::IsFailedPrecondition(SqliteSpool::Open(options_).status()));
  EXPECT_TRUE(std::filesystem::exists(file));
}

TEST_F(DamagedSpoolTest, FoundWhileInUse) {
  Open();
  Damage(4 * 4096, 100 * 4096);
  absl::Status status = absl::OkStatus();
  for (int i = 0; i < 100 && status.ok(); ++i) status = spool_->Read(first_, 0, 10'000, 1 << 30).status();
  ASSERT_TRUE(absl::IsDataLoss(status)) << status;
  const std::uint64_t generation = spool_->generation();
  const auto found = spool_->SetAside();
  ASSERT_TRUE(found.ok()) << found.status();
  EXPECT_TRUE(found->damage.has_value());
  EXPECT_EQ(spool_->generation(), generation + 1);
  EXPECT_TRUE(Write({Fault()}).ok());
  EXPECT_THAT(ReadOwn(), SizeIs(1));
}

}  // namespace
}  // namespace bayward
