#include "server/figures/demand_hours.h"

#include <cmath>
#include <map>
#include <memory>
#include <random>
#include <set>

#include "gtest/gtest.h"
#include "server/timeline/required_time.h"
#include "tests/support/small_fleet.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kDay = 1440;

MachineTimeline Timeline(const HistoryBuilder& history, const Calendar& calendar, int from, int to) {
  return MachineTimeline(history.Build(), calendar, Span(from, to), false);
}

HistoryBuilder Watched(int from, int to) { return HistoryBuilder().Observed(from, to).ObservedUntil(to); }

struct Rows {
  double up_hours = 0;
  int starts = 0;
  double busy_hours = 0;
};
Rows Sum(const std::vector<DemandHour>& rows) {
  Rows sum;
  for (const DemandHour& row : rows) {
    sum.up_hours += row.up_hours;
    sum.starts += row.starts;
    sum.busy_hours += row.utilisation * row.up_hours;
  }
  return sum;
}

// Of machines that wash, always open, over one day.
std::vector<Rows> OneDay(const std::vector<HistoryBuilder>& machines, const std::vector<HistoryBuilder>& plant = {}) {
  const auto watch = [](const HistoryBuilder& history) {
    return WatchOf(Timeline(history, AlwaysOpen(), 0, kDay), Span(0, kDay));
  };
  std::vector<MachineWatch> watches;
  for (const auto* list : {&machines, &plant}) {
    for (const HistoryBuilder& history : *list) watches.push_back(watch(history));
  }
  std::vector<const MachineWatch*> washing, needed;
  for (std::size_t i = 0; i < watches.size(); ++i) (i < machines.size() ? washing : needed).push_back(&watches[i]);
  std::vector<Rows> sums;
  for (const auto& rows : ComputeDemandHours(CivilHours(AlwaysOpen(), Span(0, kDay)), washing, needed)) {
    sums.push_back(Sum(rows));
  }
  return sums;
}

TEST(DemandHoursTest, OneMachineDownTakesTheWholeSitesHours) {
  const auto sums = OneDay({Watched(0, kDay).Fault(kJam, 600, 690).Wash(100, 106).Wash(620, 626).Wash(700, 706),
                            Watched(0, kDay).Fault(kWorn, 0, kDay).Wash(610, 616).Wash(695, 701)});
  EXPECT_DOUBLE_EQ(sums[0].up_hours, 22.5);
  EXPECT_DOUBLE_EQ(sums[1].up_hours, 22.5);  // degraded is up
  EXPECT_EQ(sums[0].starts, 2);
  EXPECT_EQ(sums[1].starts, 1);
  EXPECT_NEAR(sums[0].busy_hours, 0.2, 1e-12);
}

TEST(DemandHoursTest, TimeNobodyWatchedOrThatPeopleSettledTeachesNothing) {
  const auto sums = OneDay({Watched(0, kDay), HistoryBuilder()
                                                  .Observed(0, 600)
                                                  .Observed(720, kDay)
                                                  .ObservedUntil(kDay)
                                                  .Settled(600, 660, Condition::kUp, 800)
                                                  .Voided(1000, 1030)});
  EXPECT_DOUBLE_EQ(sums[0].up_hours, 24 - 2 - 0.5);
}

TEST(DemandHoursTest, PlantThatIsStoppedMakesNoReadySiteButOneThatNobodyWatchesIsNotWaitedFor) {
  EXPECT_DOUBLE_EQ(OneDay({Watched(0, kDay)}, {Watched(0, kDay).Fault(kLeak, 60, 120)})[0].up_hours, 23);
  EXPECT_DOUBLE_EQ(OneDay({Watched(0, kDay)}, {HistoryBuilder().ObservedUntil(kDay)})[0].up_hours, 24);
}

TEST(DemandHoursTest, NoStaffNoTestAndNoUnknownStart) {
  MachineHistory history = Watched(0, kDay).Wash(60, 66).Wash(70, 76).Wash(80, 86).Wash(90, 96).Build();
  history.cycles[0].sold_as = 3;
  history.cycles[1].sold_as = 4;
  history.cycles[2].sold_as = 2;
  history.cycles[3].started_at = absl::InfinitePast();
  const MachineTimeline timeline(history, AlwaysOpen(), Span(0, kDay), false);
  const MachineWatch watch = WatchOf(timeline, Span(0, kDay));
  ASSERT_EQ(watch.starts.size(), 1U);
  EXPECT_EQ(watch.starts[0], At(80));
  EXPECT_EQ(watch.washes.size(), 3U);
}

TEST(DemandHoursTest, AMachineThatIsNotOpenIsNotWaitedForOneInAnAgreedClosureIs) {
  Calendar late = AlwaysOpen();
  for (auto& day : late.hours[0].days) day = {{540, 1440}};
  Calendar closed = AlwaysOpen();
  closed.closures.push_back({absl::CivilSecond(2026, 6, 1, 2), absl::CivilSecond(2026, 6, 1, 5), "tiles", At(-kDay)});
  const auto hours = CivilHours(AlwaysOpen(), Span(0, kDay));
  const MachineWatch open = WatchOf(Timeline(Watched(0, kDay), AlwaysOpen(), 0, kDay), Span(0, kDay));
  const MachineWatch later = WatchOf(Timeline(Watched(0, kDay), late, 0, kDay), Span(0, kDay));
  const MachineWatch shut = WatchOf(Timeline(Watched(0, kDay), closed, 0, kDay), Span(0, kDay));
  const MachineWatch* with_later[] = {&open, &later};
  const MachineWatch* with_shut[] = {&open, &shut};
  EXPECT_DOUBLE_EQ(Sum(ComputeDemandHours(hours, with_later, {})[0]).up_hours, 24);
  EXPECT_DOUBLE_EQ(Sum(ComputeDemandHours(hours, with_later, {})[1]).up_hours, 15);
  EXPECT_DOUBLE_EQ(Sum(ComputeDemandHours(hours, with_shut, {})[0]).up_hours, 21);
}

TEST(DemandHoursTest, ATunnelWashesSeveralAtOnce) {
  const auto wash = [](int from, int to) { return Span(from, to); };
  EXPECT_EQ(PlacesOf({}), 1);
  EXPECT_EQ(PlacesOf(std::vector<Interval>{wash(0, 10), wash(10, 20)}), 1);
  EXPECT_EQ(PlacesOf(std::vector<Interval>{wash(0, 10), wash(4, 14), wash(8, 18)}), 3);
  // A clock that is a little off makes no tunnel.
  EXPECT_EQ(PlacesOf(std::vector<Interval>{wash(0, 600), wash(599, 1200)}), 1);
  EXPECT_NEAR(OneDay({Watched(0, kDay).Wash(0, 30).Wash(15, 45).Wash(30, 60)})[0].busy_hours, 1.5 / 2, 1e-12);
}

// Random days at a site of two machines and plant, minute by minute.
class Minutes {
 public:
  explicit Minutes(std::uint64_t seed) : random_(seed) {
    // The clock goes forward on the second day, or back, or the days are usual ones.
    const absl::CivilDay days[] = {absl::CivilDay(2026, 3, 28), absl::CivilDay(2026, 10, 24),
                                   absl::CivilDay(2026, 6, 13)};
    const absl::Time first = absl::FromCivil(days[seed % 3], absl::UTCTimeZone());
    from_ = static_cast<int>(absl::ToInt64Minutes(first - At(0)));
    to_ = from_ + 3 * kDay;
    site_ = AlwaysOpenIn("Europe/Helsinki");
    for (std::size_t day = 0; day < 8; ++day) {
      const int opens = 15 * Any(0, 40);
      site_.hours[0].days[day] = {{opens, opens + 60 + Any(0, 1380)}};
    }
    if (Any(0, 1) == 1) site_.holidays = {days[seed % 3] + Any(0, 2)};
    for (int i = 0; i < 3; ++i) {
      Calendar calendar = site_;
      if (Any(0, 2) == 0) calendar.hours[0].days[6] = {{600, 900}};
      if (Any(0, 2) == 0) {
        const absl::CivilSecond closes = absl::CivilSecond(days[seed % 3]) + 60 * Any(0, 3 * kDay);
        calendar.closures.push_back({closes, closes + 60 * Any(1, 600), "", At(from_ - kDay)});
      }
      timelines_.push_back(
          std::make_unique<MachineTimeline>(AnyHistory(), calendar, Span(from_, to_), /*count_rehearsal=*/false));
    }
  }

  // Up hours, starts and wash hours of one machine by date and cell, as the model is told and by the minute.
  using Told = std::map<std::pair<int, int>, Rows>;
  Told ByHours(std::size_t machine) const {
    const MachineWatch first = Watch(0), second = Watch(1), plant = Watch(2);
    const MachineWatch* washing[] = {&first, &second};
    const MachineWatch* needed[] = {&plant};
    Told told;
    const auto rows = ComputeDemandHours(CivilHours(site_, Span(from_, to_)), washing, needed);
    for (const DemandHour& row : rows[machine]) {
      Rows& sum = told[{row.day, row.cell}];
      sum.up_hours += row.up_hours;
      sum.starts += row.starts;
      EXPECT_LE(row.utilisation, 1);
    }
    return told;
  }
  Told ByMinutes(std::size_t machine) const {
    std::multiset<absl::Time> starts;
    for (const Cycle& cycle : timelines_[machine]->history.cycles) {
      if (cycle.sold_as != 3 && cycle.sold_as != 4) starts.insert(cycle.started_at);
    }
    Told told;
    for (int minute = from_; minute < to_; ++minute) {
      if (!Ready(machine, At(minute))) continue;
      const absl::CivilMinute civil = absl::ToCivilMinute(At(minute), site_.zones[0].zone);
      const absl::CivilDay day(civil);
      const bool holiday = !site_.holidays.empty() && site_.holidays[0] == day;
      const int of_week = static_cast<int>((day - absl::CivilDay(1970, 1, 5)) % 7);
      Rows& sum = told[{static_cast<int>(day - absl::CivilDay(1970, 1, 5)),
                        holiday ? 168 + civil.hour() : of_week * 24 + civil.hour()}];
      sum.up_hours += 1.0 / 60;
      sum.starts += static_cast<int>(starts.count(At(minute)));
    }
    return told;
  }

 private:
  int Any(int low, int high) { return std::uniform_int_distribution<int>(low, high)(random_); }
  int Minute() { return Any(from_ - 60, to_ + 60); }

  MachineHistory AnyHistory() {
    HistoryBuilder builder;
    const int lost = Minute();
    builder.Observed(from_ - 600, lost).Observed(lost + Any(1, 300), to_ + 600).ObservedUntil(to_ - Any(0, 30));
    for (int k = Any(0, 5); k > 0; --k) {
      const int raised = Minute();
      builder.Fault(Any(kJam, kWorn), raised, raised + Any(1, 400));
    }
    if (Any(0, 1) == 1) {
      const int closed = Minute();
      builder.Closed(closed, closed + Any(1, 300));
    }
    if (Any(0, 2) == 0) {
      const int settled = lost + Any(0, 100);
      builder.Settled(settled, settled + Any(1, 100), Any(0, 1) == 0 ? Condition::kUp : Condition::kDown, to_);
    }
    if (Any(0, 2) == 0) {
      const int voided = Minute();
      builder.Voided(voided, voided + Any(1, 120));
    }
    for (int at = from_ - 30; at < to_; at += Any(1, 60)) builder.Wash(at, at + Any(1, 12));
    MachineHistory history = builder.Build();
    for (Cycle& cycle : history.cycles) cycle.sold_as = static_cast<std::uint8_t>(Any(0, 4));
    return history;
  }

  MachineWatch Watch(std::size_t machine) const { return WatchOf(*timelines_[machine], Span(from_, to_)); }

  const ConditionSpan* SpanAt(std::size_t machine, absl::Time at) const {
    for (const ConditionSpan& span : timelines_[machine]->conditions) {
      if (span.interval.contains(at)) return &span;
    }
    return nullptr;
  }

  bool Ready(std::size_t machine, absl::Time at) const {
    if (SpanAt(machine, at) == nullptr) return false;
    for (const std::size_t bay : {0U, 1U}) {
      if (timelines_[bay]->excluded.contains(at)) return false;
      const ConditionSpan* span = SpanAt(bay, at);
      if (span == nullptr) continue;
      const bool up = span->condition == Condition::kUp || span->condition == Condition::kDegraded;
      if (!up || span->settled) return false;
    }
    const ConditionSpan* plant = SpanAt(2, at);
    return plant == nullptr ||
           (plant->condition != Condition::kDown && plant->condition != Condition::kWithheld);
  }

  std::mt19937_64 random_;
  int from_ = 0;
  int to_ = 0;
  Calendar site_;
  std::vector<std::unique_ptr<MachineTimeline>> timelines_;
};

TEST(DemandHoursTest, AgreesWithAModelThatGoesMinuteByMinute) {
  int hours = 0;
  int starts = 0;
  for (std::uint64_t seed = 1; seed <= 60; ++seed) {
    const Minutes site(seed);
    for (const std::size_t machine : {0U, 1U}) {
      const auto told = site.ByHours(machine);
      const auto model = site.ByMinutes(machine);
      ASSERT_EQ(told.size(), model.size()) << "seed " << seed;
      for (const auto& [key, sum] : model) {
        ASSERT_TRUE(told.contains(key)) << "seed " << seed;
        EXPECT_NEAR(told.at(key).up_hours, sum.up_hours, 1e-9) << "seed " << seed;
        EXPECT_EQ(told.at(key).starts, sum.starts) << "seed " << seed;
        ++hours;
        starts += sum.starts;
      }
    }
  }
  EXPECT_GT(hours, 1000);  // the cases are not empty ones
  EXPECT_GT(starts, 300);
}

}  // namespace
}  // namespace bayward::testing
