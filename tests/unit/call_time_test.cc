#include "server/figures/call_time.h"

#include "gtest/gtest.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

double Minutes(absl::Duration duration) { return absl::ToDoubleMinutes(duration); }

// Failed at 0, opened at 10, a visit decided at 40, travelling from 100, at work 130-160, away for a part until 400
// (200 waiting for it, then back on the way), at work 400-430, restored at 425, proven at 500.
CallRecord TwoVisits() {
  CallRecord call;
  call.failed_at = At(0);
  call.detected_at = At(10);
  call.visits_decided = {At(40)};
  call.travelling = {Span(100, 125), Span(380, 395)};
  call.working = {Span(130, 160), Span(400, 430)};
  call.waiting_for_parts = {Span(155, 385)};
  call.restored_at = At(425);
  call.proven_at = At(500);
  return call;
}

TEST(CallTimeTest, EachInstantHasOnePart) {
  const auto time = SplitCallTime(TwoVisits(), At(1000));
  ASSERT_TRUE(time.ok()) << time.status();
  EXPECT_EQ(Minutes(time->fault_detection), 10);
  EXPECT_EQ(Minutes(time->administrative_delay), 30 + 5);  // 10-40, and 395-400
  EXPECT_EQ(Minutes(time->logistic_delay), 90 + 235);      // 40-130, 160-395
  EXPECT_EQ(Minutes(time->travelling), 25 + 15);
  EXPECT_EQ(Minutes(time->waiting_for_parts), 220);  // 160-380
  EXPECT_EQ(Minutes(time->active_maintenance), 60);
  EXPECT_EQ(Minutes(time->function_checkout), 70);
  EXPECT_EQ(Minutes(time->active_corrective_maintenance()), 130);
  EXPECT_EQ(Minutes(time->total), 500);
  EXPECT_EQ(Minutes(time->unproven_up), 75);
  EXPECT_TRUE(time->proven);
}

TEST(CallTimeTest, AnOpenCallIsSplitUpToNow) {
  CallRecord call = TwoVisits();
  call.restored_at.reset();
  call.proven_at.reset();
  const auto time = SplitCallTime(call, At(450));
  ASSERT_TRUE(time.ok()) << time.status();
  EXPECT_EQ(Minutes(time->total), 450);
  EXPECT_EQ(Minutes(time->function_checkout), 0);
  EXPECT_EQ(Minutes(time->administrative_delay), 30 + 5 + 20);
  EXPECT_EQ(Minutes(time->unproven_up), 0);
  EXPECT_FALSE(time->proven);
}

TEST(CallTimeTest, WhereNobodyCameTheCheckoutBeginsWithTheRestoration) {
  CallRecord call;
  call.failed_at = call.detected_at = At(0);
  call.restored_at = At(30);
  call.proven_at = At(50);
  const auto time = SplitCallTime(call, At(50));
  ASSERT_TRUE(time.ok()) << time.status();
  EXPECT_EQ(Minutes(time->administrative_delay), 30);
  EXPECT_EQ(Minutes(time->function_checkout), 20);
  EXPECT_EQ(Minutes(time->unproven_up), 20);
}

TEST(CallTimeTest, InstantsOutOfOrderAreRefused) {
  const auto refused = [](auto change) {
    CallRecord call = TwoVisits();
    change(call);
    return SplitCallTime(call, At(1000)).status().code() == absl::StatusCode::kInvalidArgument;
  };
  EXPECT_FALSE(refused([](CallRecord&) {}));
  EXPECT_TRUE(refused([](CallRecord& call) { call.detected_at = At(-1); }));
  EXPECT_TRUE(refused([](CallRecord& call) { call.proven_at = At(420); }));
  EXPECT_TRUE(refused([](CallRecord& call) { call.restored_at.reset(); }));
  EXPECT_TRUE(refused([](CallRecord& call) { call.restored_at = At(-5); }));
  EXPECT_TRUE(refused([](CallRecord& call) { call.detected_at = At(2000); }));
}

}  // namespace
}  // namespace bayward::testing
