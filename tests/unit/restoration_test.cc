#include "server/figures/restoration.h"

#include <memory>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "server/figures/ranking.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kHour = 60;
constexpr int kDay = 24 * kHour;
constexpr int kNow = 30 * kDay;

absl::CivilSecond Civil(int minute) { return absl::ToCivilSecond(At(minute), absl::UTCTimeZone()); }

Calendar ClosedByAgreement(int from, int to) {
  Calendar calendar = AlwaysOpen();
  calendar.closures.push_back({Civil(from), Civil(to), "building work", At(0), false});
  return calendar;
}

// Open from 8 to 20 every day.
Calendar OpenByDay() {
  Calendar calendar = AlwaysOpen();
  for (auto& day : calendar.hours.front().days) day = {{8 * kHour, 20 * kHour}};
  return calendar;
}

class RestorationTest : public ::testing::Test {
 protected:
  void Add(const HistoryBuilder& builder, const Calendar& calendar = AlwaysOpen()) {
    timelines_.push_back(std::make_unique<MachineTimeline>(builder.Build(), calendar, Span(0, kNow), false));
    machines_.push_back(timelines_.back().get());
  }

  Restoration Compute(const RestorationOptions& options = {}, int from = 0, int to = kNow) const {
    const auto restoration = ComputeRestoration(machines_, Span(from, to), At(kNow), options);
    EXPECT_TRUE(restoration.ok()) << restoration.status();
    return restoration.value_or(Restoration());
  }

  // "begun: restored open lost closed retired beginning-not-seen".
  static std::string Fates(const Restoration& r) {
    std::string text = std::to_string(r.begun) + ":";
    for (const int count : {r.restored, r.open, r.lost_sight, r.closed, r.retired, r.beginning_not_seen}) {
      text += " " + std::to_string(count);
    }
    EXPECT_EQ(r.begun, r.restored + r.open + r.lost_sight + r.closed + r.retired + r.beginning_not_seen);
    return text;
  }

  std::vector<std::unique_ptr<MachineTimeline>> timelines_;
  std::vector<const MachineTimeline*> machines_;
};

HistoryBuilder Watched() { return HistoryBuilder().Observed(0, kOpen).ObservedUntil(kNow); }

TEST_F(RestorationTest, RestoredOnesAreEventsAndOpenOnesAreCensoredNow) {
  Add(Watched().Fault(kJam, 100, 100 + 2 * kHour).Fault(kJam, kDay, kDay + 4 * kHour));
  Add(Watched().Fault(kLeak, kNow - 10 * kHour, kOpen));
  const Restoration r = Compute();
  EXPECT_EQ(Fates(r), "3: 2 1 0 0 0 0");
  EXPECT_EQ(r.machines, 2);
  ASSERT_EQ(r.elapsed.curve.steps.size(), 2u);
  EXPECT_DOUBLE_EQ(r.elapsed.curve.steps[0].time, 2);
  EXPECT_EQ(r.elapsed.curve.steps[0].at_risk, 3);
  EXPECT_DOUBLE_EQ(r.elapsed.curve.steps[1].survival, 1.0 / 3);
  EXPECT_DOUBLE_EQ(r.elapsed.curve.known_until, 10);
  EXPECT_EQ(r.elapsed.median.time, 4);
  EXPECT_EQ(r.elapsed.within_90.time, std::nullopt);  // not reached
  // 2 + 2·2/3 + 6·1/3, as far as the open one was followed; the mean of the restored is shorter.
  EXPECT_DOUBLE_EQ(r.elapsed.mean.horizon, 10);
  EXPECT_DOUBLE_EQ(r.elapsed.mean.mean, 2 + 4.0 / 3 + 2);
  EXPECT_DOUBLE_EQ(*r.elapsed.mean_of_restored, 3);
  EXPECT_EQ(r.covered, std::nullopt);
}

TEST_F(RestorationTest, OnlyOutagesBegunInTheWindowButFollowedBeyondIt) {
  Add(Watched().Fault(kJam, kDay - 60, kDay + 60).Fault(kLeak, 2 * kDay - 60, 3 * kDay));
  const Restoration r = Compute({}, kDay, 2 * kDay);
  EXPECT_EQ(Fates(r), "1: 1 0 0 0 0 0");
  EXPECT_DOUBLE_EQ(*r.elapsed.mean_of_restored, 25);
  // The required clock takes those restored in the window, whenever begun.
  EXPECT_EQ(r.restored_in_window, 1);
  EXPECT_EQ(r.mean_down_time, absl::Hours(2));
}

TEST_F(RestorationTest, OneOutOfSightIsCensoredWhereItWasLastSeen) {
  // Still open, but the machine has not been heard of since day 12.
  Add(HistoryBuilder().Observed(0, 12 * kDay).Fault(kJam, 10 * kDay, kOpen).ObservedUntil(12 * kDay));
  // Gone when sight came back: it ended at some time nobody saw, at the loss or later.
  Add(HistoryBuilder()
          .Observed(0, 5 * kDay)
          .Observed(6 * kDay, kOpen)
          .ObservedUntil(kNow)
          .Fault(kJam, 4 * kDay, 5 * kDay, SpellEnd::kLostSight));
  const Restoration r = Compute();
  EXPECT_EQ(Fates(r), "2: 0 1 1 0 0 0");
  EXPECT_TRUE(r.elapsed.curve.steps.empty());
  EXPECT_DOUBLE_EQ(r.elapsed.curve.known_until, 48);
  EXPECT_EQ(r.elapsed.mean_of_restored, std::nullopt);
  EXPECT_EQ(r.mean_down_time, std::nullopt);
}

TEST_F(RestorationTest, OneOutOfSightIsNotFollowedToALaterClosure) {
  Add(HistoryBuilder().Observed(0, 12 * kDay).Fault(kJam, 10 * kDay, kOpen).ObservedUntil(12 * kDay),
      ClosedByAgreement(15 * kDay, 16 * kDay));
  const Restoration r = Compute();
  EXPECT_EQ(Fates(r), "1: 0 1 0 0 0 0");
  EXPECT_DOUBLE_EQ(r.elapsed.curve.known_until, 48);
}

TEST_F(RestorationTest, TheMeanReachesNoFurtherThanAnyOutageWasFollowed) {
  // All restored, but none has had more than 60 h to be.
  Add(Watched().Fault(kJam, kNow - 60 * kHour, kNow - 50 * kHour).Fault(kJam, kNow - 20 * kHour, kNow - 60));
  const Restoration r = Compute();
  EXPECT_EQ(Fates(r), "2: 2 0 0 0 0 0");
  EXPECT_DOUBLE_EQ(r.elapsed.mean.horizon, 60);
  EXPECT_DOUBLE_EQ(r.elapsed.mean.mean, (10 + 19) / 2.0);
  Add(Watched().Fault(kJam, kDay, kDay + 60));
  EXPECT_DOUBLE_EQ(Compute().elapsed.mean.horizon, 14 * 24);
}

TEST_F(RestorationTest, OneWhoseBeginningWasNotSeenIsLeftOut) {
  Add(HistoryBuilder()
          .Observed(0, kDay)
          .Observed(2 * kDay, kOpen)
          .ObservedUntil(kNow)
          .Found(kJam, 2 * kDay, 2 * kDay + 60)
          .Fault(kLeak, 3 * kDay, 3 * kDay + 120));
  const Restoration r = Compute();
  EXPECT_EQ(Fates(r), "2: 1 0 0 0 0 1");
  EXPECT_DOUBLE_EQ(*r.elapsed.mean_of_restored, 2);
  EXPECT_EQ(r.restored_in_window, 2);
}

TEST_F(RestorationTest, AnAgreedClosureCensorsAndClosingHoursDoNot) {
  const HistoryBuilder jam = Watched().Fault(kJam, 10 * kHour, 2 * kDay);
  Add(jam, ClosedByAgreement(kDay, 3 * kDay));
  const Restoration closed = Compute();
  EXPECT_EQ(Fates(closed), "1: 0 0 0 1 0 0");
  EXPECT_DOUBLE_EQ(closed.elapsed.curve.known_until, 14);
  machines_.clear();
  Add(jam, OpenByDay());
  const Restoration by_day = Compute();
  EXPECT_EQ(Fates(by_day), "1: 1 0 0 0 0 0");
  EXPECT_DOUBLE_EQ(*by_day.elapsed.mean_of_restored, 38);
  EXPECT_EQ(by_day.mean_down_time, absl::Hours(10 + 12));
  machines_.clear();
  // A closure the owner was not told of beforehand stays in required time.
  Calendar unannounced = ClosedByAgreement(kDay, 3 * kDay);
  unannounced.closures.front().recorded_at = At(2 * kDay);
  Add(jam, unannounced);
  EXPECT_EQ(Fates(Compute()), "1: 1 0 0 0 0 0");
}

TEST_F(RestorationTest, AClosureBeforeOrAfterTheOutageDoesNotTouchIt) {
  Add(Watched().Fault(kJam, 4 * kDay, 4 * kDay + 60), ClosedByAgreement(kDay, 3 * kDay));
  Add(Watched().Fault(kJam, kDay - 120, kDay - 60), ClosedByAgreement(kDay, 3 * kDay));
  EXPECT_EQ(Fates(Compute()), "2: 2 0 0 0 0 0");
}

TEST_F(RestorationTest, RetirementCensors) {
  Calendar calendar = AlwaysOpen();
  calendar.retired_at = absl::CivilDay(2026, 6, 11);  // ten days on
  Add(Watched().Fault(kJam, 9 * kDay, kOpen), calendar);
  Add(Watched().Fault(kJam, 9 * kDay, 9 * kDay + 60), AlwaysOpen());
  const std::vector<absl::Time> retired_at = {At(10 * kDay), absl::InfiniteFuture()};
  const Restoration r = Compute({.origin = {}, .first_out = {}, .retired_at = retired_at, .covered = {}});
  EXPECT_EQ(Fates(r), "2: 1 0 0 0 1 0");
  EXPECT_DOUBLE_EQ(r.elapsed.curve.known_until, 24);
  EXPECT_EQ(Fates(Compute()), "2: 1 1 0 0 0 0");  // not told: it looks open
}

TEST_F(RestorationTest, WaitingForAPartOrForATechnicianDoesNotCensor) {
  Add(Watched()
          .Fault(kJam, kDay, 6 * kDay)
          .Closed(kDay + 60, 5 * kDay, ModeReason::kOther)
          .Occupied(5 * kDay, 6 * kDay));
  const Restoration r = Compute();
  EXPECT_EQ(Fates(r), "1: 1 0 0 0 0 0");
  EXPECT_DOUBLE_EQ(*r.elapsed.mean_of_restored, 120);
}

TEST_F(RestorationTest, TheElapsedClockRunsFromTheFirstDownInstant) {
  // Raised at night, the machine opens at 8.
  Add(Watched().Fault(kJam, 2 * kHour, 9 * kHour), OpenByDay());
  EXPECT_DOUBLE_EQ(*Compute().elapsed.mean_of_restored, 1);
}

TEST_F(RestorationTest, TheCoveredClockCountsOnlyCoveredHours) {
  Add(Watched().Fault(kJam, 16 * kHour, kDay + 10 * kHour).Fault(kLeak, 5 * kDay, 5 * kDay + kHour));
  Add(Watched().Fault(kJam, kNow - 24 * kHour, kOpen));
  std::vector<Interval> hours;  // 8 to 18
  for (int day = 0; day < 30; ++day) hours.push_back(Span(day * kDay + 8 * kHour, day * kDay + 18 * kHour));
  const std::vector<IntervalSet> covered = {IntervalSet(hours)};
  const Restoration r = Compute({.origin = {}, .first_out = {}, .retired_at = {}, .covered = covered});
  ASSERT_TRUE(r.covered.has_value());
  ASSERT_EQ(r.covered->curve.steps.size(), 2u);
  EXPECT_DOUBLE_EQ(r.covered->curve.steps[0].time, 0);  // restored before cover began
  EXPECT_DOUBLE_EQ(r.covered->curve.steps[1].time, 2 + 2);
  EXPECT_DOUBLE_EQ(r.covered->curve.known_until, 10);
  EXPECT_DOUBLE_EQ(*r.covered->mean_of_restored, 2);
  EXPECT_DOUBLE_EQ(*r.elapsed.mean_of_restored, 9.5);
  // A set for each machine: the second is covered at all hours.
  const std::vector<IntervalSet> of_each = {IntervalSet(hours), IntervalSet{Span(0, kNow)}};
  const Restoration each = Compute({.origin = {}, .first_out = {}, .retired_at = {}, .covered = of_each});
  EXPECT_DOUBLE_EQ(each.covered->curve.known_until, 24);
}

TEST_F(RestorationTest, AsksForOneOriginOrOneClass) {
  Add(Watched()
          .Fault(kJam, 100, 200)
          .Fault(kStop, 300, 310)
          .Fault(kLeak, kDay, kDay + 60)
          .Found(kJam, 2 * kDay, 2 * kDay + 60)
          .Found(kLeak, 2 * kDay, 2 * kDay + 30));
  EXPECT_EQ(Fates(Compute()), "4: 3 0 0 0 0 1");
  RestorationOptions people;
  people.origin = Origin::kPeople;
  EXPECT_EQ(Fates(Compute(people)), "1: 1 0 0 0 0 0");
  RestorationOptions jam;
  jam.first_out = kJam;
  EXPECT_EQ(Fates(Compute(jam)), "1: 1 0 0 0 0 0");
  RestorationOptions unordered;
  unordered.first_out = kOrderNotObserved;
  EXPECT_EQ(Fates(Compute(unordered)), "1: 0 0 0 0 0 1");
}

TEST_F(RestorationTest, TheRequiredClockIsMeanDownTime) {
  Add(Watched().Fault(kJam, 100, 3 * kDay).Fault(kStop, 5 * kDay, 5 * kDay + 300), OpenByDay());
  Add(Watched().Fault(kLeak, 3 * kDay + 100, 8 * kDay).Fault(kJam, 9 * kDay, kOpen));
  for (const Interval& window : {Span(0, kNow), Span(2 * kDay, 6 * kDay), Span(3 * kDay, 8 * kDay)}) {
    TimeAccount account;
    for (const MachineTimeline* machine : machines_) account += ComputeAccount(*machine, window);
    const auto r = ComputeRestoration(machines_, window, At(kNow));
    ASSERT_TRUE(r.ok());
    EXPECT_EQ(r->mean_down_time, MeanDownTime(account));
    EXPECT_EQ(r->restored_in_window, account.restored);
  }
}

TEST_F(RestorationTest, MachinesAreClustersAndNeverMakeTheErrorSmaller) {
  // Each machine's outages are alike, the machines differ.
  for (int machine = 0; machine < 6; ++machine) {
    HistoryBuilder builder = Watched();
    for (int day = 0; day < 6; ++day) builder.Fault(kJam, day * kDay, day * kDay + 60 * (1 + machine) + day);
    Add(builder);
  }
  const Restoration r = Compute();
  std::vector<SurvivalCase> cases;
  for (int machine = 0; machine < 6; ++machine) {
    for (int day = 0; day < 6; ++day) cases.push_back({.exit = 1 + machine + day / 60.0, .event = true});
  }
  const auto independent = EstimateRestrictedMean(cases, 336);
  ASSERT_TRUE(independent.ok());
  EXPECT_NEAR(r.elapsed.mean.mean, independent->mean, 1e-9);
  EXPECT_GT(*r.elapsed.mean.standard_error, 2 * *independent->standard_error);
}

TEST_F(RestorationTest, WindowsAndTheWholeAgree) {
  HistoryBuilder builder = Watched();
  for (int day = 0; day < 20; ++day) builder.Fault(kJam, day * kDay + 5, day * kDay + 30 * (1 + day));
  Add(builder);
  int begun = 0;
  for (int week = 0; week < 5; ++week) begun += Compute({}, week * 7 * kDay, (week + 1) * 7 * kDay).begun;
  EXPECT_EQ(begun, Compute().begun);
  EXPECT_EQ(Compute({}, 0, 100 * kDay).begun, begun);
}

TEST_F(RestorationTest, NothingToRestoreSaysNothing) {
  Add(Watched());
  const Restoration r = Compute();
  EXPECT_EQ(r.begun, 0);
  EXPECT_EQ(r.elapsed.median.time, std::nullopt);
  EXPECT_EQ(r.elapsed.mean.standard_error, std::nullopt);
  EXPECT_EQ(r.elapsed.mean_of_restored, std::nullopt);
  EXPECT_EQ(r.elapsed.mean.horizon, 0);
}

TEST_F(RestorationTest, RefusesWhatHasNoMeaning) {
  Add(Watched().Fault(kJam, 100, 200));
  Add(Watched().Fault(kJam, 100, 200));
  const auto code = [&](const RestorationOptions& options) {
    return ComputeRestoration(machines_, Span(0, kNow), At(kNow), options).status().code();
  };
  constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;
  RestorationOptions options;
  EXPECT_EQ(code(options), absl::StatusCode::kOk);
  for (const absl::Duration horizon : {absl::ZeroDuration(), -absl::Hours(1), absl::InfiniteDuration()}) {
    options.horizon = horizon;
    EXPECT_EQ(code(options), kInvalid);
  }
  options = {};
  options.confidence = 1;
  EXPECT_EQ(code(options), kInvalid);
  options = {};
  const std::vector<absl::Time> times(3, absl::InfiniteFuture());
  options.retired_at = times;
  EXPECT_EQ(code(options), kInvalid);
  options.retired_at = options.retired_at.first(2);
  EXPECT_EQ(code(options), absl::StatusCode::kOk);
  options = {};
  const std::vector<IntervalSet> sets(3);
  options.covered = sets;
  EXPECT_EQ(code(options), kInvalid);
  options.covered = options.covered.first(2);
  EXPECT_EQ(code(options), absl::StatusCode::kOk);
  const std::vector<Interval> windows = {Span(0, 10)};
  EXPECT_EQ(ComputeRestoration(machines_, windows, At(kNow)).status().code(), kInvalid);
}

}  // namespace
}  // namespace bayward::testing
