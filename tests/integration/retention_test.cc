// What is dropped after its retention, and that the accounts of what is left add up.
#include "server/store/retention.h"

#include "absl/time/clock.h"
#include "fmt/format.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/store/upkeep.h"
#include "tests/support/test_server.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::IsEmpty;
using ::testing::Not;

// An epoch of twenty events, one a day, received in the last twenty days; a wash every four days.
class RetentionTest : public ::testing::Test {
 protected:
  RetentionTest() {
    for (int days = 20; days >= 0; days -= 10) EXPECT_TRUE(EnsurePartitions(database_, now_ - absl::Hours(24 * days)).ok());
    Run("INSERT INTO agent_epoch (agent_id, epoch, predecessor, boot) VALUES (1, '\\x000102030405060708090a0b0c0d0e0f', "
        "'', '')");
    Run("INSERT INTO agent_watermark (agent_id, site_id, epoch_id, watermark) SELECT 1, 1, epoch_id, 20 FROM agent_epoch");
    Run(fmt::format("INSERT INTO event SELECT t, t, t, i, 1, 1, 1, epoch_id, 1, false, '' FROM agent_epoch, "
                    "generate_series(1, 20) i, LATERAL (SELECT timestamptz '{}' - (20 - i) * interval '1 day' AS t) x",
                    Noon()));
    Run(fmt::format("INSERT INTO cycle SELECT t, t, t, t, i, i, 1, 1, 1, epoch_id, epoch_id, 0, 1 + i % 8 / 4, 1, 1, false, "
                    "'c' || i, 'basic' FROM agent_epoch, generate_series(4, 20, 4) i, "
                    "LATERAL (SELECT timestamptz '{}' - (20 - i) * interval '1 day' AS t) x", Noon()));
    Run("INSERT INTO machine_state VALUES (1, 1, 1, 1, '\\x01', now(), 0, 0, false, '1')");
  }

  // Today's, so that days are whole whatever the hour.
  static std::string Noon() {
    return absl::FormatTime("%Y-%m-%d 12:00:00+00", absl::Now(), absl::UTCTimeZone());
  }

  void Run(const std::string& statement) {
    const absl::Status status = database_.Write("set up", [&](pqxx::transaction_base& tx) {
      tx.exec(statement);
      return absl::OkStatus();
    });
    ASSERT_TRUE(status.ok()) << status;
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
  std::vector<std::string> Drop(const Retention& retention, absl::Time now) {
    auto dropped = DropExpired(database_, now, retention);
    EXPECT_TRUE(dropped.ok()) << dropped.status();
    const auto faults = CheckAccounts(database_);
    EXPECT_TRUE(faults.ok()) << faults.status();
    EXPECT_THAT(faults.value_or(std::vector<std::string>()), IsEmpty());
    return dropped.ok() ? *std::move(dropped) : std::vector<std::string>();
  }

  TestCluster cluster_;
  Database& database_ = cluster_.database();
  const absl::Time now_ = absl::Now();
};

TEST_F(RetentionTest, OldEventsGoOnlyAfterAFoldCheckpoint) {
  EXPECT_THAT(Drop({.event_days = 10}, now_), IsEmpty());
  EXPECT_EQ(Ask("SELECT count(*) FROM event"), 20);
  ASSERT_TRUE(TakeFoldCheckpoint(database_, now_).ok());
  ASSERT_TRUE(TakeFoldCheckpoint(database_, now_ + absl::Hours(24)).ok());  // within the week: no second
  EXPECT_EQ(Ask("SELECT count(*) FROM fold_checkpoint"), 1);
  EXPECT_THAT(Drop({.event_days = 10}, now_), Contains(EventPartition(
      absl::ToCivilDay(now_, absl::UTCTimeZone()) - 11)));
  // Today's and those of the ten days before.
  EXPECT_EQ(Ask("SELECT count(*) FROM event"), 11);
  EXPECT_EQ(Ask("SELECT min(sequence) FROM event"), 10);
  EXPECT_THAT(Drop({.event_days = 10}, now_), IsEmpty());
  EXPECT_EQ(Ask("SELECT count(*) FROM fold_checkpoint"), 1);
}

TEST_F(RetentionTest, CheckpointsBeforeTheOldestEventsAreForgotten) {
  ASSERT_TRUE(TakeFoldCheckpoint(database_, now_ - absl::Hours(24 * 15)).ok());
  ASSERT_TRUE(TakeFoldCheckpoint(database_, now_).ok());
  EXPECT_EQ(Ask("SELECT count(*) FROM fold_checkpoint"), 2);
  Drop({.event_days = 10}, now_);
  EXPECT_EQ(Ask("SELECT count(*) FROM fold_checkpoint"), 1);
}

TEST_F(RetentionTest, APartitionThatAReaderHoldsIsDroppedTheNextTime) {
  ASSERT_TRUE(TakeFoldCheckpoint(database_, now_).ok());
  const std::string held = EventPartition(absl::ToCivilDay(now_, absl::UTCTimeZone()) - 20);
  {
    auto connection = database_.Open({.idle_in_transaction_timeout = absl::Seconds(60)});
    ASSERT_TRUE(connection.ok());
    pqxx::work reader((*connection)->pqxx());
    reader.exec("SELECT count(*) FROM event");
    EXPECT_THAT(Drop({.event_days = 10}, now_), Not(Contains(held)));
  }
  EXPECT_THAT(Drop({.event_days = 10}, now_), Contains(held));
  EXPECT_EQ(Ask("SELECT count(*) FROM event"), 11);
  EXPECT_EQ(Ask(fmt::format("SELECT count(*) FROM pg_class WHERE relname = '{}'", held)), 0);
}

TEST_F(RetentionTest, CyclesLeaveTheirCountsByHour) {
  // A year later all of them are old.
  const absl::Time later = now_ + absl::Hours(24 * 365);
  ASSERT_TRUE(EnsurePartitions(database_, later).ok());
  ASSERT_TRUE(TakeFoldCheckpoint(database_, later).ok());
  Drop({.event_days = 10000, .cycle_days = 100}, later);
  EXPECT_EQ(Ask("SELECT count(*) FROM cycle"), 0);
  EXPECT_EQ(Ask("SELECT count(*) FROM cycle_hour"), 5);
  EXPECT_EQ(Ask("SELECT sum(completed) FROM cycle_hour"), 2);
  EXPECT_EQ(Ask("SELECT sum(aborted) FROM cycle_hour"), 3);
  EXPECT_EQ(Ask("SELECT count(*) FROM cycle_hour WHERE extract(hour FROM hour AT TIME ZONE 'UTC') = 12"), 5);
  Drop({.event_days = 10000, .cycle_days = 100}, later);
  EXPECT_EQ(Ask("SELECT sum(completed + aborted) FROM cycle_hour"), 5);
}

}  // namespace
}  // namespace bayward::testing
