// The fair comparison against up hours or wash starts, whichever foretold months better, and a list that goes on from
// an earlier one.
#include "server/api/compare_machines.h"

#include <string>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/api/compared_kind.h"
#include "tests/support/figures_fixture.h"

namespace bayward::testing {
namespace {

using ::testing::HasSubstr;

constexpr int kDay = 1440;

int MinuteOf(absl::CivilDay day) { return static_cast<int>(day - absl::CivilDay(2026, 6, 1)) * kDay; }

const int kEnd = MinuteOf(absl::CivilDay(2026, 12, 10));

TEST(WholeMonthsTest, TwelveUpToTheLastThatIsOver) {
  const Calendar calendar = AlwaysOpenIn("America/Los_Angeles");
  const auto months =
      WholeMonthsBefore(calendar, absl::FromCivil(absl::CivilMinute(2026, 11, 15, 8, 0), absl::UTCTimeZone()));
  ASSERT_EQ(months.size(), 12U);
  EXPECT_EQ(months.back().end, absl::FromCivil(absl::CivilMinute(2026, 11, 1, 7, 0), absl::UTCTimeZone()));
  EXPECT_EQ(months.back().start, absl::FromCivil(absl::CivilMinute(2026, 10, 1, 7, 0), absl::UTCTimeZone()));
  EXPECT_EQ(months.front().start, absl::FromCivil(absl::CivilMinute(2025, 11, 1, 7, 0), absl::UTCTimeZone()));
  for (std::size_t m = 1; m < months.size(); ++m) EXPECT_EQ(months[m].start, months[m - 1].end);
  // A month that ends with the window is whole, one whose last hour is missing is not.
  EXPECT_EQ(WholeMonthsBefore(calendar, months.back().end), months);
  EXPECT_EQ(WholeMonthsBefore(calendar, months.back().end - absl::Hours(1)).back().end, months.back().start);
}

// June to November 2026, busy and quiet months by turns, two gantries.
class CompareMachinesTest : public FiguresHandlersTest {
 protected:
  CompareMachinesTest() {
    clock_.Advance(absl::Minutes(kEnd - kNow));
    Fill(1.0);
  }

  // Failures in proportion to the washes, or as many in each month.
  void Fill(double washes_of_second, bool by_washes = true) {
    for (const int machine : {1, 2}) {
      HistoryBuilder builder;
      builder.Observed(0, kOpen).ObservedUntil(kEnd);
      for (int m = 0; m < 6; ++m) {
        const absl::CivilMonth month(2026, 6 + m);
        const bool busy = m % 2 == 0;
        const double factor = machine == 2 ? washes_of_second : 1;
        AddWashes(builder, month, static_cast<int>((busy ? 150 : 30) * factor));
        AddFailures(builder, month, !by_washes ? 3 : busy ? 5 : 1);
      }
      // A week of December, too little for a month.
      AddWashes(builder, absl::CivilMonth(2026, 12), 7);
      store_.histories[MachineId{machine}] = WithKnownClasses(builder.Build());
    }
  }

  // Over 30 days, in the small hours.
  static void AddWashes(HistoryBuilder& builder, absl::CivilMonth month, int count) {
    const int a_day = (count + 29) / 30;
    for (int w = 0; w < count; ++w) {
      const int at = MinuteOf(absl::CivilDay(month)) + w / a_day * kDay + 100 + w % a_day * 20;
      builder.Wash(at, at + 10);
    }
  }

  // Five days apart, so that none is a repeat.
  static void AddFailures(HistoryBuilder& builder, absl::CivilMonth month, int count) {
    for (int f = 0; f < count; ++f) {
      const int at = MinuteOf(absl::CivilDay(month)) + f * 5 * kDay + 600;
      builder.Fault(kJam, at, at + 30);
    }
  }

  v1::CompareMachinesResponse Compare() {
    v1::CompareMachinesRequest request;
    *request.mutable_scope() = scope_;
    *request.mutable_window() = window_;
    const auto response = handlers_.CompareMachines(caller_, request);
    EXPECT_TRUE(response.ok()) << response.status();
    return response.value_or(v1::CompareMachinesResponse());
  }
};

TEST_F(CompareMachinesTest, WashStartsWhereFailuresFollowThem) {
  const v1::CompareMachinesResponse response = Compare();
  const v1::ComparedKind& gantry = response.kinds(0);
  EXPECT_EQ(gantry.exposure_unit(), "wash starts");
  EXPECT_THAT(gantry.exposure_reason(),
              HasSubstr("5 months held back with 26 failures: wash starts foretold them better"));
  const v1::ComparedMachineRow& row = gantry.machines(0);
  EXPECT_EQ(row.failures(), 18U);
  EXPECT_DOUBLE_EQ(row.exposure(), 3 * 150 + 3 * 30 + 7);
  EXPECT_NEAR(row.raw_rate(), 1000 * 18 / row.exposure(), 1e-9);
  EXPECT_GT(row.up_hours(), 4000);
  EXPECT_GT(row.down_share(), 0);
  EXPECT_NEAR(gantry.pooled_rate(), row.raw_rate(), 1e-9);
  EXPECT_GT(row.rate_lower(), 5);
  EXPECT_LT(row.rate_upper(), 80);
  EXPECT_EQ(response.kinds(1).exposure_reason(), "machines of this kind told of no wash");
}

TEST_F(CompareMachinesTest, UpHoursWhereFailuresFollowThose) {
  Fill(1.0, /*by_washes=*/false);
  const v1::ComparedKind gantry = Compare().kinds(0);
  EXPECT_EQ(gantry.exposure_unit(), "up hours");
  EXPECT_THAT(gantry.exposure_reason(), HasSubstr("up hours foretold them better than wash starts did"));
  EXPECT_DOUBLE_EQ(gantry.machines(0).exposure(), gantry.machines(0).up_hours());
  EXPECT_EQ(gantry.machines(0).failures(), 18U);
  EXPECT_NEAR(gantry.machines(0).raw_rate(), 1000 * 18 / gantry.machines(0).up_hours(), 1e-9);
}

TEST_F(CompareMachinesTest, UpHoursWhereAMachineTellsOfNoWash) {
  Fill(0);
  store_.histories[MachineId{2}].cycles.clear();
  const v1::ComparedKind gantry = Compare().kinds(0);
  EXPECT_EQ(gantry.exposure_unit(), "up hours");
  EXPECT_THAT(gantry.exposure_reason(), HasSubstr("only 49 % of the washes were seen"));
  EXPECT_GT(gantry.machines(1).rate(), 0);
}

TEST_F(CompareMachinesTest, TheChoiceLooksAtTheMonthsBeforeAShortWindow) {
  window_.set_from("2026-12-01T00:00:00Z");
  const v1::ComparedKind gantry = Compare().kinds(0);
  EXPECT_EQ(gantry.exposure_unit(), "wash starts");
  EXPECT_TRUE(gantry.too_few());  // no failure in the window
  EXPECT_DOUBLE_EQ(gantry.machines(0).exposure(), 7);
}

TEST_F(CompareMachinesTest, AMachineWithoutExposureHasNoRateAndStandsLast) {
  window_.set_from("2026-12-08T00:00:00Z");  // after the last wash, up all the time
  const v1::ComparedKind gantry = Compare().kinds(0);
  EXPECT_EQ(gantry.exposure_unit(), "wash starts");
  EXPECT_TRUE(gantry.too_few());
  EXPECT_DOUBLE_EQ(gantry.machines(0).exposure(), 0);
  EXPECT_DOUBLE_EQ(gantry.machines(0).raw_rate(), 0);
  EXPECT_GT(gantry.machines(0).up_hours(), 40);
}

TEST(TakeDownTest, FailuresFoundAtOpeningAndRepeatsAreLeftOutOfTheRate) {
  Calendar calendar = AlwaysOpen();
  for (auto& day : calendar.hours.front().days) day = {{360, 1320}};  // 06:00 to 22:00
  HistoryBuilder builder;
  builder.Observed(0, kOpen).ObservedUntil(20 * kDay).Wash(400, 410);
  builder.Fault(kJam, 600, 610).Wash(700, 710);                              // a failure
  builder.Fault(kJam, kDay + 600, kDay + 610).Wash(kDay + 700, kDay + 710);  // a repeat
  builder.Fault(kLeak, 10 * kDay + 60, 10 * kDay + 400);                     // raised at 01:00
  const MachineTimeline timeline(builder.Build(), calendar, Span(0, 20 * kDay), false);
  Machine machine;
  machine.full_name = "alder/bay-1";
  machine.calendar = calendar;
  const MachineToCompare taken = TakeDown(machine, timeline, CycleCounts::Of(timeline), Span(0, 20 * kDay));
  EXPECT_EQ(taken.row.failures(), 1U);
  EXPECT_EQ(taken.row.repeats(), 1U);
  EXPECT_EQ(taken.found_at_opening, 1);
  EXPECT_DOUBLE_EQ(taken.wash_starts, 3);
}

// One machine much worse than six others, by how much the list alone decides.
class WorseListOfMachinesTest : public ::testing::Test {
 protected:
  static absl::StatusOr<v1::ComparedKind> Kind(int failures_of_worst, bool listed_before) {
    std::vector<MachineToCompare> machines;
    for (int i = 0; i < 7; ++i) {
      MachineToCompare& machine = machines.emplace_back();
      machine.row.set_machine("alder/bay-" + std::to_string(i));
      machine.row.set_failures(static_cast<std::uint32_t>(i == 3 ? failures_of_worst : 4));
      machine.row.set_up_hours(1000);
      machine.listed_before = i == 3 && listed_before;
    }
    return CompareKind("gantry", std::move(machines), {});
  }
};

TEST_F(WorseListOfMachinesTest, AListedMachineStaysWhereItWouldNotHaveEntered) {
  int stayed = 0;
  for (int failures = 4; failures <= 60; ++failures) {
    const auto fresh = Kind(failures, false);
    const auto held = Kind(failures, true);
    ASSERT_TRUE(fresh.ok() && held.ok());
    const v1::ComparedMachineRow& row = held->machines(0);
    EXPECT_EQ(row.listed(), failures > 4 && row.probability_worse() >= 0.5) << failures;
    EXPECT_EQ(fresh->machines(0).listed(), row.probability_worse() >= 0.9) << failures;
    stayed += row.listed() && !fresh->machines(0).listed() ? 1 : 0;
  }
  EXPECT_GT(stayed, 0);
}

}  // namespace
}  // namespace bayward::testing
