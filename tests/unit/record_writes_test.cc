// What the Records service writes: holds and settlements.
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/api/record_handlers.h"
#include "tests/support/record_fixture.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

v1::HoldRecordRequest HoldAsked() {
  v1::HoldRecordRequest request;
  request.set_machine("alder/bay-1");
  request.set_from("2026-06-01T09:00:00Z");
  request.set_to("2026-06-01T11:10:00Z");
  request.set_by("claims desk");
  request.set_reason("damage reported");
  request.set_reference("C-1042");
  return request;
}

TEST_F(RecordHandlersTest, AHoldIsOfAMachinesStretchAndSigned) {
  const auto held = handlers_.HoldRecord(caller_, HoldAsked());
  ASSERT_TRUE(held.ok()) << held.status();
  EXPECT_EQ(held->hold(), 1u);
  EXPECT_EQ(held->events(), 7u);
  ASSERT_EQ(holds_.asked.size(), 1u);
  EXPECT_EQ(holds_.asked[0].events.effective, Span(540, 670));
  EXPECT_TRUE(holds_.asked[0].events.rehearsal);
  EXPECT_EQ(holds_.asked[0].site, SiteId{1});
  v1::ListHoldsRequest everything;
  const auto listed = handlers_.ListHolds(caller_, everything);
  ASSERT_TRUE(listed.ok()) << listed.status();
  ASSERT_EQ(listed->holds_size(), 1);
  EXPECT_EQ(listed->holds(0).machine(), "alder/bay-1");
  EXPECT_EQ(listed->holds(0).by(), "claims desk");
  EXPECT_EQ(listed->holds(0).reference(), "C-1042");
  EXPECT_EQ(listed->holds(0).released_us(), 0);
  everything.mutable_scope()->add_machines("alder/bay-2");
  EXPECT_THAT(handlers_.ListHolds(caller_, everything)->holds(), IsEmpty());
}

TEST_F(RecordHandlersTest, AHoldThatCannotBeIsRefused) {
  const auto refused = [&](auto change) {
    v1::HoldRecordRequest request = HoldAsked();
    change(request);
    return handlers_.HoldRecord(caller_, request).status().code() == absl::StatusCode::kInvalidArgument;
  };
  EXPECT_TRUE(refused([](auto& r) { r.clear_by(); }));
  EXPECT_TRUE(refused([](auto& r) { r.clear_reason(); }));
  EXPECT_TRUE(refused([](auto& r) { r.set_reference(std::string(201, 'x')); }));
  EXPECT_TRUE(refused([](auto& r) { r.set_to(r.from()); }));
  EXPECT_TRUE(refused([](auto& r) { r.set_to("2026-06-03T00:00:00Z"); }));
  EXPECT_TRUE(refused([](auto& r) { r.set_from("2026-02-28T11:10:00Z"); }));  // 93 days
  EXPECT_TRUE(refused([](auto& r) { r.set_release(1); }));                    // a hold and a release at once
  EXPECT_THAT(holds_.asked, IsEmpty());
  v1::HoldRecordRequest without_reference = HoldAsked();
  without_reference.clear_reference();
  EXPECT_TRUE(handlers_.HoldRecord(caller_, without_reference).ok());
  v1::HoldRecordRequest long_one = HoldAsked();
  long_one.set_from("2026-03-01T11:10:00Z");
  EXPECT_TRUE(handlers_.HoldRecord(caller_, long_one).ok());
}

TEST_F(RecordHandlersTest, AReleaseIsSignedToo) {
  ASSERT_TRUE(handlers_.HoldRecord(caller_, HoldAsked()).ok());
  v1::HoldRecordRequest release;
  release.set_release(1);
  EXPECT_EQ(handlers_.HoldRecord(caller_, release).status().code(), absl::StatusCode::kInvalidArgument);
  release.set_by("claims desk");
  release.set_reason("claim closed");
  const auto released = handlers_.HoldRecord(caller_, release);
  ASSERT_TRUE(released.ok()) << released.status();
  EXPECT_EQ(released->hold(), 1u);
  EXPECT_NE(handlers_.ListHolds(caller_, {})->holds(0).released_us(), 0);
  release.set_release(9);
  EXPECT_EQ(handlers_.HoldRecord(caller_, release).status().code(), absl::StatusCode::kNotFound);
}

v1::SettleUnknownRequest Settlement(const std::string& machine = "alder/bay-2") {
  v1::SettleUnknownRequest request;
  request.set_machine(machine);
  request.set_from("2026-06-01T11:00:00Z");
  request.set_to("2026-06-01T12:00:00Z");
  request.set_as("up");
  request.set_by("shift lead");
  request.set_reason("seen washing");
  return request;
}

TEST_F(RecordHandlersTest, SettlingSaysHowMuchUnknownRequiredTimeItDecided) {
  const auto settled = handlers_.SettleUnknown(caller_, Settlement());  // 660-720, unknown from 700 on
  ASSERT_TRUE(settled.ok()) << settled.status();
  EXPECT_DOUBLE_EQ(settled->unknown_seconds(), 20 * kMinute);
  ASSERT_EQ(settlements_.added.size(), 1u);
  EXPECT_EQ(settlements_.added[0].machine, MachineId{2});
  EXPECT_EQ(settlements_.added[0].interval, Span(660, 720));
  EXPECT_EQ(settlements_.added[0].as, Condition::kUp);
  EXPECT_EQ(settlements_.added[0].by, "shift lead");
}

TEST_F(RecordHandlersTest, AnEarlierDecisionMayBeReplaced) {
  history().histories[MachineId{2}].settlements = {{Span(700, 710), Condition::kDown, At(900)}};
  const auto settled = handlers_.SettleUnknown(caller_, Settlement());
  ASSERT_TRUE(settled.ok()) << settled.status();
  EXPECT_DOUBLE_EQ(settled->unknown_seconds(), 20 * kMinute);
  EXPECT_THAT(settled->notes(), Contains(HasSubstr("0.2 h of it had been settled before")));
}

TEST_F(RecordHandlersTest, NothingUnknownIsNothingToSettle) {
  EXPECT_EQ(handlers_.SettleUnknown(caller_, Settlement("alder/bay-1")).status().code(),
            absl::StatusCode::kFailedPrecondition);
  EXPECT_THAT(settlements_.added, IsEmpty());
}

TEST_F(RecordHandlersTest, ASettlementThatCannotBeIsRefused) {
  const auto refused = [&](auto change) {
    v1::SettleUnknownRequest request = Settlement();
    change(request);
    return handlers_.SettleUnknown(caller_, request).status().code() == absl::StatusCode::kInvalidArgument;
  };
  EXPECT_TRUE(refused([](auto& r) { r.set_as("degraded"); }));
  EXPECT_TRUE(refused([](auto& r) { r.clear_as(); }));
  EXPECT_TRUE(refused([](auto& r) { r.clear_by(); }));
  EXPECT_TRUE(refused([](auto& r) { r.clear_reason(); }));
  EXPECT_TRUE(refused([](auto& r) { r.set_to("2026-06-02T00:00:01Z"); }));
  EXPECT_TRUE(refused([](auto& r) { r.set_from(r.to()); }));
  EXPECT_THAT(settlements_.added, IsEmpty());
  for (const char* as : {"down", "withheld"}) {
    v1::SettleUnknownRequest request = Settlement();
    request.set_as(as);
    EXPECT_TRUE(handlers_.SettleUnknown(caller_, request).ok()) << as;
  }
}

}  // namespace
}  // namespace bayward::testing
