// Every RPC that the interface declares for clients has a handler, and is reached by its name.
#include "gmock/gmock.h"
#include "google/protobuf/descriptor.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/fleet_handlers.h"
#include "tests/support/record_fixture.h"
#include "tests/support/small_fleet.h"

namespace bayward::testing {
namespace {

using ::testing::HasSubstr;

class NoLiveFleet : public LiveFleet {
 public:
  std::shared_ptr<const LiveSnapshot> Current() const override { return nullptr; }
};

class NoHeldEvents : public HeldEventStore {
 public:
  absl::StatusOr<HeldEvents> ListRejected(std::span<const SiteId>, std::uint32_t) override {
    return HeldEvents();
  }
  absl::StatusOr<HeldEvents> ListParked(std::span<const SiteId>, std::uint32_t) override {
    return HeldEvents();
  }
};

class AddMethodsTest : public ::testing::Test {
 protected:
  AddMethodsTest() {
    EXPECT_TRUE(AddFiguresMethods(figures_, methods_).ok());
    EXPECT_TRUE(AddFleetMethods(fleet_, methods_).ok());
    EXPECT_TRUE(AddRecordMethods(records_, methods_).ok());
  }

  FakeClock clock_{absl::UnixEpoch() + absl::Hours(24 * 20000)};
  FakeHistoryStore histories_;
  FakeEpochNames epochs_;
  NoLiveFleet live_;
  NoHeldEvents held_;
  FiguresHandlers figures_{{histories_, epochs_, [] { return std::make_shared<Fleet>(); }, clock_, "2025b"}};
  FleetHandlers fleet_{
      {live_,
       {[](const Declaration&, const ApplyOptions&) { return absl::StatusOr<ApplyOutcome>(ApplyOutcome()); },
        [] { return absl::StatusOr<std::string>("# fleet\n"); }},
       held_,
       clock_,
       {}}};
  FakeEventStore events_;
  FakeHoldStore holds_;
  FakeSettlementStore settlements_;
  RecordHandlers records_{
      {histories_, epochs_, events_, holds_, settlements_, [] { return std::make_shared<Fleet>(); }, clock_}};
  MethodTable methods_;
};

TEST_F(AddMethodsTest, EveryRpcHasAHandler) {
  std::size_t count = 0;
  for (const char* service_name : {"bayward.v1.Figures", "bayward.v1.Fleet", "bayward.v1.Records"}) {
    const auto* service = google::protobuf::DescriptorPool::generated_pool()->FindServiceByName(service_name);
    ASSERT_NE(service, nullptr) << service_name;
    for (int i = 0; i < service->method_count(); ++i) {
      const std::string name = std::string(service_name) + "/" + service->method(i)->name();
      EXPECT_NE(methods_.Find(name), nullptr) << name;
      ++count;
    }
  }
  EXPECT_EQ(methods_.names().size(), count);
}

TEST_F(AddMethodsTest, EachNameReachesItsOwnHandler) {
  const Caller caller;
  const auto exported = methods_.Find("bayward.v1.Fleet/ExportFleet")->CallJson(caller, "{}");
  ASSERT_TRUE(exported.ok()) << exported.status();
  EXPECT_THAT(*exported, HasSubstr("# fleet"));
  const auto figures = methods_.Find("bayward.v1.Figures/GetAvailability")
                           ->CallJson(caller, R"({"window": {"from": "2024-01-01"}})");
  ASSERT_TRUE(figures.ok()) << figures.status();
  EXPECT_THAT(*figures, HasSubstr("No machine is in this scope."));
  const auto refused = methods_.Find("bayward.v1.Figures/ListOutages")->CallJson(caller, "{}");
  EXPECT_EQ(refused.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace bayward::testing
