// What the Figures service answers of the service that customers met and of alarms.
#include <algorithm>
#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/figures_fixture.h"

namespace bayward::testing {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

constexpr FaultClassNumber kFanClass = v1::FAULT_CLASS_DRYERS_FAN_FAIL_TO_START;  // degrading, removes dry
constexpr FaultClassNumber kOverloadClass = v1::FAULT_CLASS_DRIVE_MOTOR_OVERLOAD_TRIPPED;  // safety

class FiguresServiceTest : public FiguresHandlersTest {
 protected:
  FiguresServiceTest() {
    Fleet fleet = *fleet_;
    fleet.sites[0].programmes = {{"full", {v1::CAPABILITY_WASH, v1::CAPABILITY_WAX, v1::CAPABILITY_DRY}},
                                 {"short", {v1::CAPABILITY_WASH}}};
    fleet_ = std::make_shared<const Fleet>(std::move(fleet));
    MachineHistory& first = store_.histories[MachineId{1}];
    first = HistoryBuilder()
                .Observed(0, kOpen)
                .ObservedUntil(kNow)
                .Fault(kJam, 100, 160)
                .Fault(kWorn, 300, 420)
                .Wash(20, 30)
                .Wash(300, 310)
                .Wash(330, 340)
                .Wash(350, 360)
                .Wash(420, 430)
                .Wash(440, 450)
                .Build();
    for (Spell& spell : first.spells) {
      if (spell.fault_class == kWorn) spell.fault_class = kFanClass;
      if (spell.fault_class == kJam) spell.fault_class = kArmClass;
    }
    // At the fault's beginning, in it, a test, after it; then one whose start was not seen.
    const std::vector<std::string> programmes = {"full", "full", "short", "full", "full", "full"};
    for (std::size_t i = 0; i < programmes.size(); ++i) {
      first.cycles[i].programme = programmes[i];
      first.cycles[i].sold_as = v1::SOLD_AS_CUSTOMER;
    }
    first.cycles[3].sold_as = v1::SOLD_AS_TEST;
    first.cycles[5].started_at = absl::InfinitePast();
    store_.histories[MachineId{2}] = WithKnownClasses(HistoryBuilder()
                                                          .Observed(0, 700)
                                                          .Observed(800, kOpen)
                                                          .ObservedUntil(kNow)
                                                          .Fault(kJam, 900, 930)
                                                          .Wash(10, 20)
                                                          .Build());
  }

  v1::GetServiceMetResponse Met(v1::Grouping grouping) {
    v1::GetServiceMetRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    request.set_grouping(grouping);
    const auto response = handlers_.GetServiceMet(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::GetServiceMetResponse());
  }

  absl::StatusOr<v1::GetAlarmQualityResponse> Alarms(double fleeting_below = 0) {
    v1::GetAlarmQualityRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    request.set_fleeting_below_seconds(fleeting_below);
    return handlers_.GetAlarmQuality(caller_, request);
  }
};

TEST_F(FiguresServiceTest, EachCapabilityHasItsOwnAvailability) {
  const v1::GetServiceMetResponse met = Met(v1::GROUPING_UNSPECIFIED);
  ASSERT_EQ(met.rows_size(), 5);
  const v1::ServiceMetRow& bay = met.rows(0);
  EXPECT_EQ(bay.group(), "alder/bay-1");
  EXPECT_DOUBLE_EQ(bay.up_hours(), (1440 - 60 - 120) / 60.0);
  EXPECT_DOUBLE_EQ(bay.degraded_hours(), 2);
  EXPECT_DOUBLE_EQ(bay.down_hours(), 1);
  EXPECT_DOUBLE_EQ(bay.full_service(), 1260.0 / 1440);
  // What "full" needs; nothing that no programme here needs and nobody lost.
  ASSERT_EQ(bay.capabilities_size(), 3);
  EXPECT_EQ(bay.capabilities(0).name(), "wash");
  EXPECT_DOUBLE_EQ(bay.capabilities(0).missing_hours(), 1);
  EXPECT_EQ(bay.capabilities(1).name(), "wax");
  EXPECT_DOUBLE_EQ(bay.capabilities(1).available(), 1380.0 / 1440);
  EXPECT_EQ(bay.capabilities(2).capability(), v1::CAPABILITY_DRY);
  EXPECT_DOUBLE_EQ(bay.capabilities(2).missing_hours(), 3);
  EXPECT_DOUBLE_EQ(bay.capabilities(2).available(), 1260.0 / 1440);
  // Never observed, and no wash on record.
  EXPECT_EQ(met.rows(2).group(), "alder/lane");
  EXPECT_FALSE(met.rows(2).has_full_service());
  EXPECT_EQ(met.rows(2).capabilities_size(), 0);
  EXPECT_THAT(met.notes(), Contains(HasSubstr("3 of 5 machines have no wash on record")));
  // Sums of hours: bay-2 was known for 1,340 minutes and lost 30; only bay-1 sold what needs drying.
  EXPECT_DOUBLE_EQ(met.total().full_service(), (1260.0 + 1310) / (1440 + 1340));
  EXPECT_DOUBLE_EQ(met.total().capabilities(0).available(), 1 - 90.0 / 2780);
  EXPECT_DOUBLE_EQ(met.total().capabilities(2).available(), 1260.0 / 1440);
  EXPECT_EQ(Met(v1::GROUPING_REGION).rows(0).group(), "north");
}

TEST_F(FiguresServiceTest, ASitesBaysAreLookedAtTogether) {
  const v1::GetServiceMetResponse met = Met(v1::GROUPING_SITE);
  ASSERT_EQ(met.sites_size(), 1);  // nothing ever washed at birch
  EXPECT_EQ(met.sites(0).site(), "alder");
  EXPECT_EQ(met.sites(0).bays(), 2U);
  EXPECT_DOUBLE_EQ(met.sites(0).observed_hours(), 1340 / 60.0);
  EXPECT_DOUBLE_EQ(met.sites(0).any_bay(), 1);
  EXPECT_DOUBLE_EQ(met.sites(0).all_bays(), 1250.0 / 1340);
  EXPECT_THAT(met.notes(), Contains(HasSubstr("1.7 h of the sites' required time are left out")));
}

TEST_F(FiguresServiceTest, WashesSoldWithoutWhatTheyNeedAreCounted) {
  const v1::GetServiceMetResponse met = Met(v1::GROUPING_FLEET);
  ASSERT_EQ(met.sold_not_deliverable_size(), 1);
  const v1::NotDeliverableRow& row = met.sold_not_deliverable(0);
  EXPECT_EQ(row.site(), "alder");
  EXPECT_EQ(row.programme(), "full");
  EXPECT_EQ(row.capability(), "dry");
  EXPECT_EQ(row.washes(), 1U);  // begun with the fault; the short one needs no drying, the last began after it
  EXPECT_THAT(met.notes(), Contains(HasSubstr("1 of 4 washes sold")));
  EXPECT_THAT(met.notes(), Contains(HasSubstr("1 further sold washes are not judged")));
}

TEST_F(FiguresServiceTest, UnknownNamesAreRefused) {
  scope_.add_regions("nowhere");
  EXPECT_EQ(Alarms().status().code(), absl::StatusCode::kNotFound);
  v1::GetServiceMetRequest request;
  *request.mutable_scope() = scope_;
  *request.mutable_window() = window_;
  EXPECT_EQ(handlers_.GetServiceMet(caller_, request).status().code(), absl::StatusCode::kNotFound);
  request.mutable_scope()->Clear();
  request.set_grouping(static_cast<v1::Grouping>(77));
  EXPECT_EQ(handlers_.GetServiceMet(caller_, request).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresServiceTest, ADeskIsARegion) {
  MachineHistory& second = store_.histories[MachineId{2}];
  second.spells[0].fault_class = kOverloadClass;
  const auto alarms = Alarms();
  ASSERT_TRUE(alarms.ok()) << alarms.status();
  ASSERT_EQ(alarms->desks_size(), 2);
  const v1::DeskRow& north = alarms->desks(0);
  EXPECT_EQ(north.desk(), "north");
  EXPECT_EQ(north.alarms(), 3U);
  EXPECT_DOUBLE_EQ(north.days(), 1);
  EXPECT_DOUBLE_EQ(north.per_day().rate(), 3);
  EXPECT_EQ(north.per_day().verdict(), "fewer than 30 days: too short to judge");
  EXPECT_EQ(north.periods(), 144U);
  // The overload is a safety class, the jam blocks, the fan only degrades.
  EXPECT_THAT(north.priority_shares(), ElementsAre(1.0 / 3, 1.0 / 3, 1.0 / 3));
  ASSERT_EQ(north.top_size(), 3);
  EXPECT_EQ(north.top(0).machine(), "alder/bay-1");
  EXPECT_EQ(north.cautions_size(), 2);
  EXPECT_EQ(alarms->desks(1).desk(), "south");
  EXPECT_EQ(alarms->desks(1).alarms(), 0U);
  ASSERT_EQ(alarms->raise_rates_size(), 2);
  EXPECT_EQ(alarms->raise_rates(0).machine(), "alder/bay-1");
  EXPECT_EQ(alarms->raise_rates(0).raises(), 2U);
}

TEST_F(FiguresServiceTest, AdvisoryFaultsAreRaisesAndNoAlarms) {
  MachineHistory& first = store_.histories[MachineId{1}];
  first.spells[0].effect = Effect::kAdvisory;
  first.spells[1].began_unobserved = true;
  const auto alarms = Alarms();
  ASSERT_TRUE(alarms.ok()) << alarms.status();
  EXPECT_EQ(alarms->desks(0).alarms(), 2U);  // the fan, first seen in a snapshot, and bay-2's jam
  ASSERT_EQ(alarms->raise_rates_size(), 2);
  EXPECT_EQ(alarms->raise_rates(0).raises(), 1U);  // the advisory one: nobody saw the fan's signal rise
}

TEST_F(FiguresServiceTest, FoldedRaisesAreNoChattering) {
  MachineHistory& first = store_.histories[MachineId{1}];
  first.spells[0].further_raises = 40;
  const auto folded = Alarms();
  ASSERT_TRUE(folded.ok()) << folded.status();
  EXPECT_EQ(folded->desks(0).chattering(), 0U);
  EXPECT_EQ(folded->raise_rates(0).raises(), 42U);
  EXPECT_DOUBLE_EQ(folded->raise_rates(0).per_day(), 42);

  const Spell jam = first.spells[0];
  for (int i = 0; i < 3; ++i) {
    Spell& again = first.spells.emplace_back(jam);
    again.raised_at = At(1000) + absl::Seconds(30 * i);
    again.cleared_at = again.raised_at + absl::Seconds(20);
    again.further_raises = 0;
  }
  const auto chattering = Alarms();
  ASSERT_TRUE(chattering.ok()) << chattering.status();
  EXPECT_EQ(chattering->desks(0).chattering(), 1U);
  EXPECT_EQ(chattering->desks(0).fleeting(), 3U);
  EXPECT_EQ(Alarms(1900)->desks(0).fleeting(), 4U);  // bay-2's half hour too
  EXPECT_EQ(Alarms(-1).status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(Alarms(90'000).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(FiguresServiceTest, AnAlarmOfAMachineOutOfServiceIsNotStale) {
  clock_.Advance(absl::Hours(24 * 2));
  const auto history = [](bool closed) {
    HistoryBuilder builder;
    builder.Observed(0, kOpen).ObservedUntil(3 * 1440).Fault(kJam, 100, kOpen);
    if (closed) builder.Closed(200, kOpen);
    return WithKnownClasses(builder.Build());
  };
  store_.histories[MachineId{1}] = history(false);
  EXPECT_EQ(Alarms()->desks(0).stale_peak(), 1U);
  store_.histories[MachineId{1}] = history(true);
  EXPECT_EQ(Alarms()->desks(0).stale_peak(), 0U);
}

}  // namespace
}  // namespace bayward::testing
