// Which month and week a held figure is of, that it is made once, and how an answer is narrowed to a scope.
#include "server/api/held_figures.h"

#include <string>
#include <utility>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/fake_held_figure_store.h"
#include "tests/support/small_fleet.h"

namespace bayward::testing {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

absl::Time Instant(const std::string& text) {
  absl::Time at;
  std::string error;
  EXPECT_TRUE(absl::ParseTime(absl::RFC3339_full, text, &at, &error)) << error;
  return at;
}

std::shared_ptr<const Fleet> FleetInTwoZones() {
  FleetBuilder builder;
  builder.AddSite("alder", "north", AlwaysOpenIn("Pacific/Auckland")).AddMachine("bay-1", "gantry");
  builder.AddSite("birch", "south", AlwaysOpenIn("America/Los_Angeles")).AddMachine("bay-1", "gantry");
  builder.AddMachine("lane", "tunnel");
  return builder.Build();
}

std::string NameOf(absl::CivilMonth month) { return absl::FormatCivilTime(month); }

TEST(HeldPeriodsTest, AMonthIsOverWhenItIsOverEverywhere) {
  const auto fleet = FleetInTwoZones();
  // November begins in California at 07:00 UTC (daylight saving time ends later that night).
  EXPECT_EQ(NameOf(LastWholeMonth(*fleet, Instant("2026-11-01T06:59:59Z"))), "2026-09");
  EXPECT_EQ(NameOf(LastWholeMonth(*fleet, Instant("2026-11-01T07:00:00Z"))), "2026-10");
  const HeldPeriod period = TrendPeriod(*fleet, absl::CivilMonth(2026, 10));
  EXPECT_EQ(period.name, "2026-10");
  EXPECT_EQ(period.ends, Instant("2026-11-01T07:00:00Z"));
  EXPECT_EQ(period.window.from(), "2025-11-01");
  EXPECT_EQ(period.window.to(), "2026-11-01");
}

TEST(HeldPeriodsTest, OfAFleetInTheEastAMonthIsOverBeforeItIsInUtc) {
  FleetBuilder builder;
  builder.AddSite("alder", "north", AlwaysOpenIn("Pacific/Kiritimati")).AddMachine("bay-1", "gantry");
  EXPECT_EQ(NameOf(LastWholeMonth(*builder.Build(), Instant("2026-10-31T10:00:00Z"))), "2026-10");
  EXPECT_EQ(NameOf(LastWholeMonth(*builder.Build(), Instant("2026-10-31T09:59:59Z"))), "2026-09");
  EXPECT_EQ(NameOf(LastWholeMonth(Fleet(), Instant("2026-11-01T00:00:00Z"))), "2026-10");
}

TEST(HeldPeriodsTest, ReadsAMonthAndSaysWhatItExpected) {
  const auto fleet = FleetInTwoZones();
  const absl::Time now = Instant("2026-11-20T00:00:00Z");
  EXPECT_EQ(NameOf(*WantedMonth(*fleet, "last", now)), "2026-10");
  EXPECT_EQ(NameOf(*WantedMonth(*fleet, "2026-10", now)), "2026-10");
  EXPECT_EQ(NameOf(*WantedMonth(*fleet, "2024-02", now)), "2024-02");
  for (const char* text : {"", "october", "2026-13", "2026-1", "2026-10-01", "1969-12", "2026-10-", "Last"}) {
    const absl::Status status = WantedMonth(*fleet, text, now).status();
    EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument) << text;
    EXPECT_THAT(std::string(status.message()), HasSubstr("expected a calendar month such as 2026-10, or \"last\""));
  }
  const absl::Status early = WantedMonth(*fleet, "2026-11", now).status();
  EXPECT_EQ(early.code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_THAT(std::string(early.message()), HasSubstr("the last whole month is 2026-10"));
}

TEST(HeldPeriodsTest, WeeksAreIsoWeeksInUtc) {
  // 2026-11-02 is a Monday.
  EXPECT_EQ(LastWholeWeek(Instant("2026-11-01T23:59:59Z")).name, "2026-W43");
  const HeldPeriod week = LastWholeWeek(Instant("2026-11-02T00:00:00Z"));
  EXPECT_EQ(week.name, "2026-W44");
  EXPECT_EQ(week.ends, Instant("2026-11-02T00:00:00Z"));
  EXPECT_EQ(week.window.from(), "2026-05-04T00:00Z");
  EXPECT_EQ(week.window.to(), "2026-11-02T00:00Z");
  EXPECT_EQ(LastWholeWeek(Instant("2026-11-08T12:00:00Z")).name, "2026-W44");
  // The days to 2027-01-03 belong to the 53rd week of 2026, those from 2024-12-30 to the first of 2025.
  EXPECT_EQ(LastWholeWeek(Instant("2027-01-04T00:00:00Z")).name, "2026-W53");
  EXPECT_EQ(LastWholeWeek(Instant("2025-01-06T00:00:00Z")).name, "2025-W01");
}

// Makers that count how often they were asked, of three machines.
class HeldFiguresTest : public ::testing::Test {
 protected:
  HeldFigures Make() {
    HeldFigureMakers makers;
    makers.trends = [this](const v1::Window& window) -> absl::StatusOr<v1::JudgeTrendsResponse> {
      if (!failure_.ok()) return failure_;
      trend_windows_.push_back(window.from() + " to " + window.to());
      v1::JudgeTrendsResponse response;
      response.mutable_fleet()->set_machine("fleet");
      for (const char* machine : {"alder/bay-1", "birch/bay-1", "birch/lane"}) {
        v1::TrendRow& row = *response.add_machines();
        row.set_machine(machine);
        row.set_up_hours(up_hours_);
        row.set_verdict("steady, made " + std::to_string(trend_windows_.size()));
      }
      return response;
    };
    makers.comparison = [this](const v1::Window&,
                               const std::set<std::string>& listed) -> absl::StatusOr<v1::CompareMachinesResponse> {
      if (!failure_.ok()) return failure_;
      listed_before_.push_back(listed);
      v1::CompareMachinesResponse response;
      Add(response, "gantry", {"alder/bay-1", "birch/bay-1"});
      Add(response, "tunnel", {"birch/lane"});
      return response;
    };
    return HeldFigures(
        store_, [this] { return fleet_; }, clock_, std::move(makers),
        [this](absl::Time until) { return until <= delivered_until_; });
  }

  void Add(v1::CompareMachinesResponse& response, const std::string& name, const std::vector<std::string>& machines) {
    v1::ComparedKind& kind = *response.add_kinds();
    kind.set_kind(name);
    for (const std::string& machine : machines) {
      v1::ComparedMachineRow& row = *kind.add_machines();
      row.set_machine(machine);
      row.set_up_hours(up_hours_);
      row.set_listed(listed_.contains(machine));
      row.set_probability_worse(machine == "alder/bay-1" ? 0.98 : 0.9);
    }
    kind.set_expected_false_share(0.06);
  }

  static std::vector<std::string> MachinesOf(const v1::JudgeTrendsResponse& response) {
    std::vector<std::string> machines;
    for (const v1::TrendRow& row : response.machines()) machines.push_back(row.machine());
    return machines;
  }

  FakeHeldFigureStore store_;
  std::shared_ptr<const Fleet> fleet_ = FleetInTwoZones();
  FakeClock clock_{Instant("2026-11-04T12:00:00Z")};
  absl::Time delivered_until_ = absl::InfiniteFuture();
  double up_hours_ = 100;
  std::set<std::string> listed_ = {"alder/bay-1", "birch/bay-1"};
  absl::Status failure_;
  std::vector<std::string> trend_windows_;
  std::vector<std::set<std::string>> listed_before_;
  v1::Scope all_;
};

TEST_F(HeldFiguresTest, AVerdictIsMadeOnceAndStays) {
  HeldFigures held = Make();
  const auto first = held.Trends("last", all_);
  ASSERT_TRUE(first.ok()) << first.status();
  EXPECT_EQ(first->month(), "2026-10");
  EXPECT_EQ(first->made_at_us(), absl::ToUnixMicros(clock_.Now()));
  EXPECT_THAT(trend_windows_, ElementsAre("2025-11-01 to 2026-11-01"));
  EXPECT_THAT(first->notes(first->notes_size() - 1), HasSubstr("made on 2026-11-04 12:00 UTC"));
  EXPECT_THAT(first->notes(first->notes_size() - 1), HasSubstr("later does not change it"));
  clock_.Advance(absl::Hours(100));
  for (const char* month : {"2026-10", "last"}) {
    const auto again = Make().Trends(month, all_);  // another server
    ASSERT_TRUE(again.ok()) << again.status();
    EXPECT_EQ(again->SerializeAsString(), first->SerializeAsString());
  }
  EXPECT_EQ(trend_windows_.size(), 1U);
}

TEST_F(HeldFiguresTest, AnEarlierMonthIsMadeWhenAskedFor) {
  HeldFigures held = Make();
  const auto august = held.Trends("2026-08", all_);
  ASSERT_TRUE(august.ok()) << august.status();
  EXPECT_EQ(august->month(), "2026-08");
  EXPECT_THAT(trend_windows_, ElementsAre("2025-09-01 to 2026-09-01"));
  EXPECT_EQ(held.Trends("2026-11", all_).status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_EQ(held.Trends("soon", all_).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(HeldFiguresTest, OfNothingObservedNothingIsHeld) {
  up_hours_ = 0;
  HeldFigures held = Make();
  EXPECT_EQ(held.Trends("2026-01", all_).status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_EQ(held.WorseMachines(all_).status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_TRUE(held.Step(clock_.Now()).ok());
  EXPECT_THAT(store_.figures, IsEmpty());
}

TEST_F(HeldFiguresTest, AnAnswerIsNarrowedToItsScopeAndSaysSo) {
  HeldFigures held = Make();
  v1::Scope south;
  south.add_regions("south");
  const auto trends = held.Trends("last", south);
  ASSERT_TRUE(trends.ok()) << trends.status();
  EXPECT_THAT(MachinesOf(*trends), ElementsAre("birch/bay-1", "birch/lane"));
  EXPECT_EQ(trends->fleet().machine(), "fleet");
  EXPECT_THAT(trends->notes(trends->notes_size() - 1), HasSubstr("2 of the 3 machines that were judged together"));

  v1::Scope gantries;
  gantries.add_sites("birch");
  gantries.add_kinds("gantry");
  const auto worse = held.WorseMachines(gantries);
  ASSERT_TRUE(worse.ok()) << worse.status();
  ASSERT_EQ(worse->kinds_size(), 1);
  ASSERT_EQ(worse->kinds(0).machines_size(), 1);
  EXPECT_EQ(worse->kinds(0).machines(0).machine(), "birch/bay-1");
  EXPECT_NEAR(worse->kinds(0).expected_false_share(), 0.1, 1e-12);  // of those shown
  EXPECT_THAT(worse->notes(worse->notes_size() - 1), HasSubstr("1 of the 3 machines"));

  const auto whole = held.WorseMachines(all_);
  ASSERT_TRUE(whole.ok()) << whole.status();
  EXPECT_EQ(whole->kinds_size(), 2);
  EXPECT_NEAR(whole->kinds(0).expected_false_share(), 0.06, 1e-12);

  v1::Scope nowhere;
  nowhere.add_regions("west");
  EXPECT_EQ(held.Trends("last", nowhere).status().code(), absl::StatusCode::kNotFound);
  EXPECT_EQ(held.WorseMachines(nowhere).status().code(), absl::StatusCode::kNotFound);
}

TEST_F(HeldFiguresTest, TheWeeksListGoesOnFromTheOneBefore) {
  HeldFigures held = Make();
  const auto first = held.WorseMachines(all_);
  ASSERT_TRUE(first.ok()) << first.status();
  EXPECT_EQ(first->made_at_us(), absl::ToUnixMicros(clock_.Now()));
  EXPECT_THAT(first->notes(first->notes_size() - 1), HasSubstr("the first such list"));
  clock_.Advance(absl::Hours(24 * 14));  // a week without a list lies between
  listed_ = {"alder/bay-1"};
  const auto second = held.WorseMachines(all_);
  ASSERT_TRUE(second.ok()) << second.status();
  EXPECT_THAT(second->notes(second->notes_size() - 1), HasSubstr("on the list of 2026-W44 stays"));
  clock_.Advance(absl::Hours(24 * 7));
  ASSERT_TRUE(held.WorseMachines(all_).ok());
  const std::set<std::string> both = {"alder/bay-1", "birch/bay-1"};
  const std::set<std::string> one = {"alder/bay-1"};
  EXPECT_THAT(listed_before_, ElementsAre(IsEmpty(), both, one));
}

TEST_F(HeldFiguresTest, StepMakesWhatIsMissingAndThenLooksNoMore) {
  HeldFigures held = Make();
  ASSERT_TRUE(held.Step(clock_.Now()).ok());
  EXPECT_EQ(store_.figures.size(), 2U);
  EXPECT_TRUE(store_.figures.contains({"trends", "2026-10"}));
  EXPECT_TRUE(store_.figures.contains({"worse-machines", "2026-W44"}));
  const int looks = store_.looks;
  clock_.Advance(absl::Minutes(1));
  ASSERT_TRUE(held.Step(clock_.Now()).ok());
  EXPECT_EQ(store_.looks, looks);
  clock_.Advance(absl::Hours(24 * 7));
  ASSERT_TRUE(held.Step(clock_.Now()).ok());
  EXPECT_EQ(store_.figures.size(), 3U);
  EXPECT_EQ(trend_windows_.size(), 1U);
  EXPECT_EQ(store_.figures.at({"trends", "2026-10"}).fleet_version, fleet_->version);
}

TEST_F(HeldFiguresTest, StepWaitsForWhatIsStillToBeDeliveredButNotForEver) {
  delivered_until_ = Instant("2026-11-01T06:00:00Z");  // an hour is missing of October, more of the week
  HeldFigures held = Make();
  ASSERT_TRUE(held.Step(clock_.Now()).ok());
  EXPECT_THAT(store_.figures, IsEmpty());
  clock_.Advance(kHeldFigurePatience - absl::Seconds(1));
  ASSERT_TRUE(held.Step(clock_.Now()).ok());
  EXPECT_THAT(store_.figures, IsEmpty());
  clock_.Advance(absl::Seconds(1));
  ASSERT_TRUE(held.Step(clock_.Now()).ok());
  EXPECT_EQ(store_.figures.size(), 2U);
}

TEST_F(HeldFiguresTest, WhoAsksIsNotLetWait) {
  delivered_until_ = absl::InfinitePast();
  HeldFigures held = Make();
  EXPECT_TRUE(held.Trends("last", all_).ok());
}

TEST_F(HeldFiguresTest, ErrorsPassAndNothingIsHeld) {
  HeldFigures held = Make();
  failure_ = absl::UnavailableError("the database does not answer");
  EXPECT_EQ(held.Step(clock_.Now()).code(), absl::StatusCode::kUnavailable);
  EXPECT_EQ(held.Trends("last", all_).status().code(), absl::StatusCode::kUnavailable);
  EXPECT_THAT(store_.figures, IsEmpty());
  failure_ = absl::OkStatus();
  EXPECT_TRUE(held.Step(clock_.Now()).ok());
  store_.status = absl::UnavailableError("the database does not answer");
  EXPECT_EQ(held.WorseMachines(all_).status().code(), absl::StatusCode::kUnavailable);
  store_.status = absl::OkStatus();
  fleet_ = nullptr;
  EXPECT_EQ(held.Trends("last", all_).status().code(), absl::StatusCode::kUnavailable);
  EXPECT_EQ(held.Step(clock_.Now()).code(), absl::StatusCode::kUnavailable);
}

TEST_F(HeldFiguresTest, BytesThatAreNoAnswerAreAnError) {
  store_.figures[{"trends", "2026-10"}] = {"trends", "2026-10", clock_.Now(), 1, "\xff\xff\xff"};
  EXPECT_EQ(Make().Trends("last", all_).status().code(), absl::StatusCode::kInternal);
}

}  // namespace
}  // namespace bayward::testing
