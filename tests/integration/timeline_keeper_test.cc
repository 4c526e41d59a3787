// Kept timelines over a real PostgreSQL say what reading every history anew says, at once after each delivery.
#include "server/live/timeline_keeper.h"

#include <memory>
#include <random>

#include "absl/strings/str_cat.h"
#include "absl/time/clock.h"
#include "gtest/gtest.h"
#include "server/store/history_store.h"
#include "tests/support/calendars.h"
#include "tests/support/test_server.h"
#include "tests/support/uplink_client.h"

namespace bayward::testing {
namespace {

constexpr auto kPressureLow = v1::FAULT_CLASS_AIR_SUPPLY_PRESSURE_LOW;

std::string Text(const TimeAccount& a) {
  return absl::StrCat(absl::FormatDuration(a.required), " up ", absl::FormatDuration(a.up), " down ",
                      absl::FormatDuration(a.down), " withheld ", absl::FormatDuration(a.withheld), " pending ",
                      absl::FormatDuration(a.unknown_pending), " lost ", absl::FormatDuration(a.unknown_lost),
                      " outages ", a.outages, " failures ", a.failures, " unobserved ", a.failures_unobserved,
                      " repeats ", a.repeats, " restored ", a.restored, " completed ", a.cycles_completed, " aborted ",
                      a.cycles_aborted, " contradictory ", a.contradictory_cycles, a.provisional ? " provisional" : "");
}

class TimelineKeeperTest : public ::testing::Test {
 protected:
  static void SetUpTestSuite() {
    cluster_ = new TestCluster();
    holder_ = new FleetHolder();
  }
  static void TearDownTestSuite() {
    delete holder_;
    delete cluster_;
  }

  void SetUp() override {
    server_ = std::make_unique<IngestServer>(cluster_->database(), *holder_);
    site_ = absl::StrCat("site-", ++sites_);
    holder_->AddSite(site_, {"bay-1", "bay-2"});
    epoch_ = EpochBytes(sites_ * 10);
    start_ = absl::Now() - absl::Hours(24);
    client_ = std::make_unique<UplinkClient>(server_->Channel(), site_);
    ASSERT_TRUE(client_->SendHello({{epoch_, "", 1, 0}}));
    ASSERT_TRUE(client_->Read().has_welcome());
  }

  std::int64_t At(double minute) const { return absl::ToUnixMicros(start_ + absl::Seconds(60 * minute)); }

  void Deliver(const std::vector<v1::Event>& events) {
    ASSERT_TRUE(client_->SendBatch(epoch_, sequence_, events));
    sequence_ += events.size();
    ASSERT_EQ(client_->Read().ack().through_sequence(), sequence_ - 1);
  }

  // The fleet as the server would have loaded it anew, with machines that are always open.
  std::shared_ptr<const Fleet> LoadFleet() const {
    auto fleet = std::make_shared<Fleet>(*holder_->Get());
    for (Machine& machine : fleet->machines) machine.calendar = calendar_;
    return fleet;
  }

  std::vector<const Machine*> MachinesOf(const Fleet& fleet) const {
    std::vector<const Machine*> machines;
    for (const Machine& machine : fleet.machines) {
      if (fleet.FindSite(machine.site)->key == site_) machines.push_back(&machine);
    }
    return machines;
  }

  void ExpectAsReadAnew() {
    const std::shared_ptr<const Fleet> fleet = LoadFleet();
    const std::vector<const Machine*> machines = MachinesOf(*fleet);
    const absl::Time now = absl::Now();
    const std::vector<Interval> windows = {{start_ - absl::Hours(2), now},
                                           {start_ + absl::Seconds(1234.5), start_ + absl::Seconds(40'000.25)},
                                           {start_ + absl::Minutes(10), now - absl::Minutes(3)}};
    auto kept = keeper_.Get(fleet, machines, start_ - absl::Hours(2), now);
    ASSERT_TRUE(kept.ok()) << kept.status();
    std::vector<absl::Time> edges;
    for (const Interval& window : windows) edges.insert(edges.end(), {window.start, window.end});
    const std::vector<std::vector<absl::Time>> of_all(machines.size(), edges);
    ASSERT_TRUE(keeper_.Decide(*fleet, machines, of_all, Counted::kStartedToo, *kept).ok());
    const Interval extent{start_ - absl::Hours(48), now};
    for (std::size_t i = 0; i < machines.size(); ++i) {
      const std::vector<MachineId> ids = {machines[i]->id};
      auto histories = store_.Load(*fleet, ids, extent);
      ASSERT_TRUE(histories.ok()) << histories.status();
      const MachineTimeline anew(std::move(histories->front()), calendar_, extent, fleet->demonstration);
      for (const Interval& window : windows) {
        const BriefTimeline& brief = (*kept)[i];
        EXPECT_EQ(Text(ComputeAccount(*brief.timeline, *brief.cycles, window)), Text(ComputeAccount(anew, window)));
      }
      EXPECT_EQ((*kept)[i].timeline->outages.size(), anew.outages.size());
    }
  }

  // Washes that mostly run clean, a fault now and then; in order of time from `minute` on.
  std::vector<v1::Event> SomeLife(int count, std::mt19937& random) {
    std::vector<v1::Event> events;
    for (int i = 0; i < count; ++i) {
      minute_ += 0.1 + static_cast<double>(random() % 100) / 40;
      const std::string machine = random() % 4 == 0 ? "bay-2" : "bay-1";
      const auto what = random() % 20;
      if (what < 15) {
        const std::string cycle = absl::StrCat("c", ++cycles_);
        if (what < 13) events.push_back(CycleBegan(machine, At(minute_), cycle));
        events.push_back(CycleEnded(machine, At(minute_ + 0.05), cycle,
                                    what == 0 ? v1::CYCLE_OUTCOME_ABORTED : v1::CYCLE_OUTCOME_COMPLETED));
      } else if (what == 15) {
        events.push_back(SnapshotOf(machine, At(minute_)));
      } else if (what % 2 == 0) {
        events.push_back(Raised(machine, At(minute_), kPressureLow));
      } else {
        events.push_back(Cleared(machine, At(minute_), kPressureLow));
      }
    }
    return events;
  }

  long Count(const std::string& query) {
    long count = -1;
    EXPECT_TRUE(cluster_->database().Read("count", [&](pqxx::transaction_base& tx) {
      count = tx.exec1(query)[0].as<long>();
      return absl::OkStatus();
    }).ok());
    return count;
  }
  void Run(const std::string& statement) {
    ASSERT_TRUE(cluster_->database().Write("set up", [&](pqxx::transaction_base& tx) {
      tx.exec(statement);
      return absl::OkStatus();
    }).ok());
  }

  static inline TestCluster* cluster_ = nullptr;
  static inline FleetHolder* holder_ = nullptr;
  static inline int sites_ = 0;
  const Calendar calendar_ = AlwaysOpen();
  std::unique_ptr<IngestServer> server_;
  std::unique_ptr<UplinkClient> client_;
  PostgresHistoryStore store_{cluster_->database()};
  PostgresBriefHistories brief_{cluster_->database()};
  TimelineKeeper keeper_{brief_, Clock::System()};
  std::string site_;
  std::string epoch_;
  absl::Time start_;
  std::uint64_t sequence_ = 1;
  double minute_ = 1;
  int cycles_ = 0;
};

TEST_F(TimelineKeeperTest, WhatWasDeliveredShowsAtOnce) {
  ExpectAsReadAnew();  // nobody ever delivered
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), Started("bay-2", At(0)), SnapshotOf("bay-2", At(0))});
  ExpectAsReadAnew();
  std::mt19937 random(7);
  for (int round = 0; round < 12; ++round) {
    Deliver(SomeLife(60, random));
    ExpectAsReadAnew();
  }
  // Enough that runs were moved out of the open state.
  EXPECT_GT(Count("SELECT count(*) FROM cycle_runs WHERE site_id = " + std::to_string(sites_)), 0);
  EXPECT_GT(keeper_.bytes(), 0u);
}

TEST_F(TimelineKeeperTest, StretchesCutAndRehearsalsCountAsReadAnew) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), Started("bay-2", At(0)), SnapshotOf("bay-2", At(0))});
  std::mt19937 random(11);
  for (int round = 0; round < 8; ++round) {
    std::vector<v1::Event> events = SomeLife(40, random);
    for (std::size_t i = 0; i < events.size(); i += 5) events[i].set_rehearsal(round % 3 == 0);
    v1::Event stepped = Started("bay-1", At(minute_ - 2));
    stepped.mutable_clock_stepped()->set_from_us(At(minute_));
    stepped.mutable_clock_stepped()->set_to_us(At(minute_ - 2));
    events.push_back(stepped);
    minute_ -= 2;
    Deliver(events);
    ExpectAsReadAnew();
  }
}

TEST_F(TimelineKeeperTest, HeartbeatsMoveHowFarItWasObserved) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), CycleBegan("bay-1", At(1), "c1"),
           CycleEnded("bay-1", At(6), "c1")});
  ExpectAsReadAnew();
  for (const int minute : {20, 300}) {
    Run(absl::StrCat("UPDATE agent_watermark SET observed_until = to_timestamp(", At(minute) / 1'000'000,
                     ") WHERE site_id = ", sites_));
    ExpectAsReadAnew();
  }
}

TEST_F(TimelineKeeperTest, SettlementsShow) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0))});
  ExpectAsReadAnew();
  const MachineId machine = holder_->Get()->machine_by_full_name.at(site_ + "/bay-1");
  // Its machine and site are declared only to ingest.
  Run("ALTER TABLE settlement DROP CONSTRAINT IF EXISTS settlement_site_id_fkey, "
      "DROP CONSTRAINT IF EXISTS settlement_machine_id_fkey");
  Run(absl::StrCat("INSERT INTO settlement (site_id, machine_id, from_at, to_at, as_condition, settled_by, reason, "
                   "recorded_at) VALUES (", sites_, ", ", machine.value, ", to_timestamp(", At(100) / 1'000'000,
                   "), to_timestamp(", At(200) / 1'000'000, "), 3, 'somebody', 'told by phone', now())"));
  ExpectAsReadAnew();
}

TEST_F(TimelineKeeperTest, CyclesStoredBeforeThereWereRunsCount) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), Started("bay-2", At(0)), SnapshotOf("bay-2", At(0))});
  std::mt19937 random(3);
  Deliver(SomeLife(300, random));
  client_.reset();
  server_.reset();  // what it remembers is as stored now
  Run("UPDATE machine_state SET cycle_runs = NULL; DELETE FROM cycle_runs");
  ExpectAsReadAnew();
  EXPECT_EQ(Count("SELECT count(*) FROM machine_state WHERE cycle_runs IS NOT NULL"), 0);
  server_ = std::make_unique<IngestServer>(cluster_->database(), *holder_);
  client_ = std::make_unique<UplinkClient>(server_->Channel(), site_);
  ASSERT_TRUE(client_->SendHello({{epoch_, "", 1, sequence_ - 1}}));
  ASSERT_TRUE(client_->Read().has_welcome());
  Deliver(SomeLife(10, random));
  ExpectAsReadAnew();
  EXPECT_GT(Count("SELECT count(*) FROM machine_state WHERE cycle_runs IS NOT NULL"), 0);
}

TEST_F(TimelineKeeperTest, OtherHoursAndAnEarlierWindowAreSeen) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), Raised("bay-1", At(5), kPressureLow)});
  const std::shared_ptr<const Fleet> fleet = LoadFleet();
  const absl::Time now = absl::Now();
  auto changed = std::make_shared<Fleet>(*fleet);
  for (Machine& machine : changed->machines) machine.calendar.retired_at = absl::ToCivilDay(start_, absl::UTCTimeZone());
  const auto required = [&](const std::shared_ptr<const Fleet>& of, absl::Time from) {
    const std::vector<const Machine*> machines = MachinesOf(*of);
    const auto kept = keeper_.Get(of, machines, from, now);
    EXPECT_TRUE(kept.ok()) << kept.status();
    return ComputeAccount(*kept->front().timeline, {from, now}).required;
  };
  EXPECT_EQ(required(fleet, start_), now - start_);
  EXPECT_EQ(required(fleet, start_ - absl::Hours(1000)), now - start_ + absl::Hours(1000));
  EXPECT_EQ(required(changed, start_), absl::ZeroDuration());
  EXPECT_EQ(required(fleet, start_), now - start_);
  // Asked about longer than anything is kept.
  EXPECT_EQ(required(fleet, start_ - absl::Hours(24 * 2000)), now - start_ + absl::Hours(24 * 2000));
}

TEST_F(TimelineKeeperTest, WhatIsKeptStaysWithinItsBytes) {
  Deliver({Started("bay-1", At(0)), SnapshotOf("bay-1", At(0)), Started("bay-2", At(0)), SnapshotOf("bay-2", At(0))});
  TimelineKeeper small(brief_, Clock::System(), {.bytes_max = 1});
  const std::shared_ptr<const Fleet> fleet = LoadFleet();
  const std::vector<const Machine*> machines = MachinesOf(*fleet);
  const auto kept = small.Get(fleet, machines, start_, absl::Now());
  ASSERT_TRUE(kept.ok()) << kept.status();
  EXPECT_EQ(kept->size(), 2u);
  EXPECT_NE(kept->front().timeline, nullptr);
  EXPECT_EQ(small.bytes(), 0u);
}

}  // namespace
}  // namespace bayward::testing
