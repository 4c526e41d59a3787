#include "server/store/epoch_names.h"

#include "gtest/gtest.h"
#include "tests/support/test_server.h"

namespace bayward::testing {
namespace {

TEST(EpochNamesTest, GivesTheSixteenBytesOfEpochsThatAreKnown) {
  TestCluster cluster;
  Database& database = cluster.database();
  int known = 0;
  ASSERT_TRUE(
      database
          .Write("add an epoch",
                 [&](pqxx::transaction_base& tx) {
                   known = tx.exec1(
                                 "INSERT INTO agent_epoch (agent_id, epoch, predecessor, boot) VALUES "
                                 "(1, '\\x00ff0102030405060708090a0b0c0d0e', '', '') RETURNING epoch_id")[0]
                               .as<int>();
                   return absl::OkStatus();
                 })
          .ok());
  PostgresEpochNames names(database);
  const std::vector<EpochId> asked = {EpochId{known}, EpochId{known + 1}};
  const auto found = names.Find(asked);
  ASSERT_TRUE(found.ok()) << found.status();
  ASSERT_EQ(found->size(), 1U);
  EXPECT_EQ(found->at(EpochId{known}),
            std::string("\x00\xff\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b\x0c\x0d\x0e", 16));
  EXPECT_TRUE(names.Find({}).ok());
}

}  // namespace
}  // namespace bayward::testing
