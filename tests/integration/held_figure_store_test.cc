// Held figures in a real PostgreSQL: first come, held for good.
#include "server/store/held_figure_store.h"

#include <atomic>
#include <string>
#include <thread>
#include <vector>

#include "gtest/gtest.h"
#include "tests/support/test_server.h"

namespace bayward::testing {
namespace {

class HeldFigureStoreTest : public ::testing::Test {
 protected:
  static void SetUpTestSuite() { cluster_ = new TestCluster; }
  static void TearDownTestSuite() { delete cluster_; }

  Database& database() { return cluster_->database(); }

  static HeldFigure Figure(const std::string& kind, const std::string& period, const std::string& response) {
    return {kind, period, absl::FromUnixMicros(1'780'000'000'123'456), 7, response};
  }

  static TestCluster* cluster_;
};
TestCluster* HeldFigureStoreTest::cluster_ = nullptr;

TEST_F(HeldFigureStoreTest, GivesBackWhatWasHeldByteForByte) {
  PostgresHeldFigureStore store(database());
  std::string bytes;
  for (int byte = 0; byte < 256; ++byte) bytes += static_cast<char>(byte);
  const auto held = store.Hold(Figure("bytes", "2026-10", bytes));
  ASSERT_TRUE(held.ok()) << held.status();
  const auto found = store.Find("bytes", "2026-10");
  ASSERT_TRUE(found.ok()) << found.status();
  ASSERT_TRUE(found->has_value());
  EXPECT_EQ((*found)->response, bytes);
  EXPECT_EQ((*found)->kind, "bytes");
  EXPECT_EQ((*found)->period, "2026-10");
  EXPECT_EQ((*found)->made_at, absl::FromUnixMicros(1'780'000'000'123'456));
  EXPECT_EQ((*found)->fleet_version, 7);
  EXPECT_FALSE(store.Find("bytes", "2026-09")->has_value());
  EXPECT_FALSE(store.Find("other", "2026-10")->has_value());
}

TEST_F(HeldFigureStoreTest, TheFirstOneStays) {
  PostgresHeldFigureStore store(database());
  ASSERT_TRUE(store.Hold(Figure("first", "2026-10", "one")).ok());
  const auto second = store.Hold(Figure("first", "2026-10", "two"));
  ASSERT_TRUE(second.ok()) << second.status();
  EXPECT_EQ(second->response, "one");
  EXPECT_EQ((*store.Find("first", "2026-10"))->response, "one");
}

TEST_F(HeldFigureStoreTest, FindsTheLatestPeriodBefore) {
  PostgresHeldFigureStore store(database());
  for (const char* week : {"2025-W52", "2026-W01", "2026-W09", "2026-W10"}) {
    ASSERT_TRUE(store.Hold(Figure("weeks", week, week)).ok());
  }
  ASSERT_TRUE(store.Hold(Figure("weeks-of-others", "2026-W05", "other")).ok());
  EXPECT_EQ((*store.FindLastBefore("weeks", "2026-W10"))->response, "2026-W09");
  EXPECT_EQ((*store.FindLastBefore("weeks", "2026-W08"))->response, "2026-W01");
  EXPECT_EQ((*store.FindLastBefore("weeks", "2026-W01"))->response, "2025-W52");
  EXPECT_FALSE(store.FindLastBefore("weeks", "2025-W52")->has_value());
}

TEST_F(HeldFigureStoreTest, ServersThatMakeOneAtOnceAnswerAlike) {
  constexpr int kServers = 8;
  constexpr int kPeriods = 12;
  std::vector<std::vector<std::string>> answers(kServers, std::vector<std::string>(kPeriods));
  std::vector<std::thread> servers;
  std::atomic<int> ready = 0;
  for (int s = 0; s < kServers; ++s) {
    servers.emplace_back([&, s] {
      Database own(cluster_->database().url());
      PostgresHeldFigureStore store(own);
      ASSERT_TRUE(store.Find("race", "none").ok());  // connected
      ++ready;
      while (ready < kServers) std::this_thread::yield();
      for (int p = 0; p < kPeriods; ++p) {
        const auto held =
            store.Hold(Figure("race", "2026-" + std::to_string(10 + p), "made by " + std::to_string(s)));
        ASSERT_TRUE(held.ok()) << held.status();
        answers[static_cast<std::size_t>(s)][static_cast<std::size_t>(p)] = held->response;
      }
    });
  }
  for (std::thread& server : servers) server.join();
  for (const std::vector<std::string>& of_server : answers) EXPECT_EQ(of_server, answers.front());
  EXPECT_EQ(answers.front().front().rfind("made by ", 0), 0U);
}

TEST_F(HeldFigureStoreTest, RowsAreOnlyEverAdded) {
  PostgresHeldFigureStore store(database());
  ASSERT_TRUE(store.Hold(Figure("kept", "2026-10", "one")).ok());
  const auto run = [this](const std::string& sql) {
    return database().Write("change a held figure", [&](pqxx::transaction_base& tx) {
      tx.exec(sql);
      return absl::OkStatus();
    });
  };
  EXPECT_FALSE(run("UPDATE held_figure SET made_at = now() WHERE kind = 'kept'").ok());
  EXPECT_FALSE(run("DELETE FROM held_figure WHERE kind = 'kept'").ok());
  EXPECT_FALSE(run("INSERT INTO held_figure VALUES ('kept', '2026-10', now(), 1, '')").ok());
  EXPECT_TRUE(run("INSERT INTO held_figure VALUES ('kept', '2026-11', now(), 1, '')").ok());
  EXPECT_EQ((*store.Find("kept", "2026-10"))->response, "one");
}

}  // namespace
}  // namespace bayward::testing
