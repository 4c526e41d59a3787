#include "agent/uplink/reconnect.h"

#include <algorithm>
#include <set>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::HasSubstr;

SessionEnd Failed(absl::StatusCode code) {
  SessionEnd end;
  end.status = absl::Status(code, "said");
  return end;
}

TEST(ReconnectTest, PausesGrowToTheirBoundAndAreRandomBelowIt) {
  absl::Duration longest_first = absl::ZeroDuration();
  absl::Duration longest_late = absl::ZeroDuration();
  absl::Duration shortest_late = absl::InfiniteDuration();
  for (int i = 0; i < 200; ++i) {
    ReconnectPolicy policy;
    longest_first = std::max(longest_first, policy.PauseAfter(Failed(absl::StatusCode::kUnavailable)));
    for (int k = 0; k < 40; ++k) policy.PauseAfter(Failed(absl::StatusCode::kUnavailable));
    const absl::Duration late = policy.PauseAfter(Failed(absl::StatusCode::kUnavailable));
    longest_late = std::max(longest_late, late);
    shortest_late = std::min(shortest_late, late);
  }
  EXPECT_LE(longest_first, absl::Milliseconds(500));
  EXPECT_LE(longest_late, absl::Minutes(1));
  EXPECT_GT(longest_late, absl::Seconds(45));
  EXPECT_LT(shortest_late, absl::Seconds(15));
}

TEST(ReconnectTest, GoodSessionBeginsAgainFromTheShortest) {
  ReconnectPolicy policy;
  for (int k = 0; k < 40; ++k) policy.PauseAfter(Failed(absl::StatusCode::kUnavailable));
  SessionEnd good = Failed(absl::StatusCode::kUnavailable);
  good.good = true;
  EXPECT_LE(policy.PauseAfter(good), absl::Milliseconds(500));
}

TEST(ReconnectTest, RefusalWaitsLong) {
  for (const auto code : {absl::StatusCode::kFailedPrecondition, absl::StatusCode::kNotFound,
                          absl::StatusCode::kUnauthenticated, absl::StatusCode::kUnimplemented}) {
    ReconnectPolicy policy;
    EXPECT_TRUE(IsRefusal(Failed(code).status));
    const absl::Duration first = policy.PauseAfter(Failed(code));
    EXPECT_GE(first, absl::Seconds(15));
    EXPECT_LE(first, absl::Seconds(30));
    for (int k = 0; k < 10; ++k) policy.PauseAfter(Failed(code));
    EXPECT_GE(policy.PauseAfter(Failed(code)), absl::Minutes(5));
  }
  EXPECT_FALSE(IsRefusal(Failed(absl::StatusCode::kAlreadyExists).status));
  EXPECT_FALSE(IsRefusal(Failed(absl::StatusCode::kUnavailable).status));
}

TEST(ReconnectTest, DrainedAgentsComeBackApart) {
  std::set<absl::Duration> pauses;
  SessionEnd drained;
  drained.reconnect_after = absl::Seconds(10);
  for (int i = 0; i < 50; ++i) {
    ReconnectPolicy policy;
    const absl::Duration pause = policy.PauseAfter(drained);
    EXPECT_GE(pause, absl::Seconds(10));
    EXPECT_LE(pause, absl::Seconds(15));
    pauses.insert(pause);
  }
  EXPECT_GT(pauses.size(), 40u);
}

TEST(ReconnectTest, RenewalIsAtOnceButNotForEver) {
  ReconnectPolicy policy;
  SessionEnd renew;
  renew.renew = true;
  for (int i = 0; i < 3; ++i) EXPECT_LE(policy.PauseAfter(renew), absl::Milliseconds(50));
  absl::Duration longest = absl::ZeroDuration();
  for (int i = 0; i < 60; ++i) longest = std::max(longest, policy.PauseAfter(renew));
  EXPECT_GT(longest, absl::Seconds(10));
}

TEST(ReconnectTest, ExplanationsSayWhatToDo) {
  EXPECT_THAT(Explain(Failed(absl::StatusCode::kNotFound).status, "north", "s:1"), HasSubstr("declare it"));
  EXPECT_THAT(Explain(Failed(absl::StatusCode::kAlreadyExists).status, "north", "s:1"),
              HasSubstr("stop one"));
  EXPECT_THAT(Explain(Failed(absl::StatusCode::kUnavailable).status, "north", "s:1"),
              HasSubstr("events are kept"));
  EXPECT_THAT(Explain(Failed(absl::StatusCode::kUnimplemented).status, "north", "s:1"),
              HasSubstr("uplink.server"));
}

}  // namespace
}  // namespace bayward
