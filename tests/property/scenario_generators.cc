#include "tests/property/scenario.h"

#include <tuple>
#include <utility>

namespace bayward::naive {
namespace {

// Of the whole range in small cases, too: there inRange alone stays near its low end.
rc::Gen<int> Between(int low, int high) {
  return rc::gen::resize(rc::kNominalSize, rc::gen::inRange(low, high + 1));
}

rc::Gen<Step> ArbitraryStep() {
  const auto op = rc::gen::weightedElement<Op>({{14, Op::kRaise},
                                                {12, Op::kClear},
                                                {7, Op::kMode},
                                                {2, Op::kCycleStart},
                                                {5, Op::kCycleFinish},
                                                {2, Op::kLoseSight},
                                                {5, Op::kSee},
                                                {2, Op::kCrash},
                                                {2, Op::kSnapshot},
                                                {2, Op::kMissOne},
                                                {1, Op::kClockStep},
                                                {1, Op::kDataMissing},
                                                {1, Op::kReject},
                                                {1, Op::kHandOver}});
  const auto gap =
      rc::gen::weightedOneOf<int>({{2, rc::gen::just(0)}, {6, Between(1, 40)}, {4, Between(1, 400)}});
  return rc::gen::map(
      rc::gen::tuple(op, gap, Between(0, 6), Between(0, 11), Between(0, 11)),
      [](const std::tuple<Op, int, int, int, int>& t) {
        return Step{std::get<0>(t), std::get<1>(t), std::get<2>(t), std::get<3>(t), std::get<4>(t)};
      });
}

rc::Gen<std::vector<std::pair<int, int>>> ArbitraryDay() {
  const auto early = rc::gen::pair(Between(0, 200), Between(1, 240));
  const auto usual = rc::gen::pair(Between(360, 600), Between(200, 700));
  const auto late = rc::gen::pair(Between(1310, 1439), Between(1, 600));
  const auto all = rc::gen::just(std::vector<std::pair<int, int>>{{0, 1440}});
  using Day = std::vector<std::pair<int, int>>;
  return rc::gen::weightedOneOf<Day>(
      {{5, all},
       {1, rc::gen::just(Day{})},
       {3, rc::gen::map(usual, [](const std::pair<int, int>& p) { return Day{p}; })},
       {3,
        rc::gen::map(rc::gen::tuple(early, usual, late),
                     [](const std::tuple<std::pair<int, int>, std::pair<int, int>, std::pair<int, int>>& t) {
                       return Day{std::get<0>(t), std::get<1>(t), std::get<2>(t)};
                     })}});
}

rc::Gen<HoursSeed> ArbitraryHours() {
  return rc::gen::map(
      rc::gen::container<std::vector<std::vector<std::pair<int, int>>>>(kDayKinds, ArbitraryDay()),
      [](const std::vector<std::vector<std::pair<int, int>>>& days) {
        HoursSeed seed;
        for (std::size_t i = 0; i < days.size(); ++i) seed.days[i] = days[i];
        return seed;
      });
}

rc::Gen<ClosureSeed> ArbitraryClosure() {
  const auto from =
      rc::gen::oneOf(Between(0, 4000), Between(1440 - 30, 1440 + 200));  // the clocks change at night
  return rc::gen::map(rc::gen::tuple(from, rc::gen::oneOf(Between(1, 90), Between(1, 700)), Between(-60, 60),
                                     rc::gen::arbitrary<bool>()),
                      [](const std::tuple<int, int, int, bool>& t) {
                        return ClosureSeed{std::get<0>(t), std::get<1>(t), std::get<2>(t), std::get<3>(t)};
                      });
}

// `usual` nearly always, else a day of the window.
rc::Gen<int> DayOr(int usual) {
  return rc::gen::weightedOneOf<int>({{9, rc::gen::just(usual)}, {1, Between(1, 3)}});
}

}  // namespace

int Any(int min, int below) { return *Between(min, below - 1); }

rc::Gen<CalendarSeed> ArbitraryCalendar() {
  const auto closures = rc::gen::resize(4, rc::gen::container<std::vector<ClosureSeed>>(ArbitraryClosure()));
  return rc::gen::map(
      rc::gen::tuple(ArbitraryHours(), ArbitraryHours(), DayOr(9), DayOr(9), DayOr(0), DayOr(9), DayOr(9),
                     closures),
      [](const std::tuple<HoursSeed, HoursSeed, int, int, int, int, int, std::vector<ClosureSeed>>& t) {
        CalendarSeed seed;
        seed.first = std::get<0>(t);
        seed.second = std::get<1>(t);
        seed.change_day = std::get<2>(t);
        seed.holiday = std::get<3>(t);
        seed.in_service = std::get<4>(t);
        seed.retired = std::get<5>(t);
        seed.new_zone_day = std::get<6>(t);
        seed.closures = std::get<7>(t);
        return seed;
      });
}

rc::Gen<Scenario> ArbitraryScenario() {
  const auto steps = rc::gen::scale(0.6, rc::gen::container<std::vector<Step>>(ArbitraryStep()));
  const auto mostly = rc::gen::weightedElement<bool>({{5, true}, {1, false}});
  return rc::gen::map(rc::gen::tuple(Between(0, kPlaceCount - 1), Between(0, 3), steps, Between(0, 300),
                                     mostly, mostly, ArbitraryCalendar()),
                      [](const std::tuple<int, int, std::vector<Step>, int, bool, bool, CalendarSeed>& t) {
                        Scenario scenario;
                        scenario.place = std::get<0>(t);
                        scenario.first_seen = std::get<1>(t);
                        scenario.steps = std::get<2>(t);
                        scenario.tail = std::get<3>(t);
                        scenario.heard_to_end = std::get<4>(t);
                        scenario.delivery_expected = std::get<5>(t);
                        scenario.calendar = std::get<6>(t);
                        return scenario;
                      });
}

}  // namespace bayward::naive
