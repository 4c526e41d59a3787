#include "server/figures/fleet_trend.h"

#include <algorithm>
#include <cstddef>
#include <map>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

const absl::Duration kReturnWithin = 2 * kRepeatWithin;
constexpr absl::Duration kWeek = absl::Hours(7 * 24);

// Exposure within which a failure would be the return of the one before.
double ApartOf(const TrendMachine& machine) {
  const double elapsed = absl::ToDoubleHours(machine.window.length());
  return elapsed > 0 ? absl::ToDoubleHours(kReturnWithin) * machine.exposure() / elapsed : 0;
}

struct Prepared {
  EventHistory history;
  std::vector<absl::Time> kept;  // declustered
  std::vector<double> hours;     // up hours in each week
  std::vector<double> starts;    // wash starts in each week, where that is the machine's axis
  std::vector<int> kept_in;      // of them in each week

  const std::vector<double>& On(FailureAxis axis) const { return axis == FailureAxis::kUpHours ? hours : starts; }
};

// Weeks from the earliest window's start on.
class Weeks {
 public:
  explicit Weeks(const std::vector<TrendMachine>& machines) {
    for (const TrendMachine& machine : machines) {
      start_ = std::min(start_, machine.window.start);
      end_ = std::max(end_, machine.window.end);
    }
    if (end_ <= start_) return;
    for (absl::Time at = start_; at < end_; at += kWeek) ++count_;
  }
  std::size_t count() const { return count_; }
  absl::Time Start(std::size_t week) const { return start_ + kWeek * static_cast<std::int64_t>(week); }
  std::size_t Of(absl::Time at) const { return static_cast<std::size_t>((at - start_) / kWeek); }

 private:
  absl::Time start_ = absl::InfiniteFuture();
  absl::Time end_ = absl::InfinitePast();
  std::size_t count_ = 0;
};

absl::StatusOr<Prepared> Prepare(const TrendMachine& machine, const Weeks& weeks) {
  Prepared prepared;
  prepared.history.end = machine.exposure();
  for (const absl::Time failure : machine.failures) prepared.history.at.push_back(machine.ExposureAt(failure));
  const absl::StatusOr<std::vector<double>> kept = Decluster(prepared.history.at, ApartOf(machine));
  if (!kept.ok()) return kept.status();
  prepared.kept_in.resize(weeks.count());
  for (std::size_t i = 0, next = 0; i < machine.failures.size() && next < kept->size(); ++i) {
    if (prepared.history.at[i] != (*kept)[next]) continue;
    ++next;
    prepared.kept.push_back(machine.failures[i]);
    ++prepared.kept_in[weeks.Of(machine.failures[i])];
  }
  for (std::size_t w = 0; w < weeks.count(); ++w) {
    const absl::Time from = weeks.Start(w);
    const absl::Time to = weeks.Start(w + 1);
    prepared.hours.push_back(machine.clock.HoursAt(to) - machine.clock.HoursAt(from));
    if (machine.washes) prepared.starts.push_back(machine.washes->StartsAt(to) - machine.washes->StartsAt(from));
  }
  return prepared;
}

// Exposure and declustered failures by week of those of a group that have an axis.
struct GroupWeeks {
  std::vector<double> exposure;
  std::vector<int> events;

  void Add(const Prepared& machine, FailureAxis axis) {
    const std::vector<double>& weeks = machine.On(axis);
    exposure.resize(weeks.size());
    events.resize(weeks.size());
    for (std::size_t w = 0; w < weeks.size(); ++w) {
      exposure[w] += weeks[w];
      events[w] += machine.kept_in[w];
    }
  }
};
using Groups = std::map<std::pair<std::string, FailureAxis>, GroupWeeks>;

// Nothing where the others had no failure or no exposure.
std::vector<RateStep> ComparisonOf(const Prepared& machine, FailureAxis axis, const GroupWeeks& group) {
  std::vector<ComparisonPeriod> periods;
  const std::vector<double>& own = machine.On(axis);
  for (std::size_t w = 0; w < own.size(); ++w) {
    // Differences of sums may fall a rounding below zero.
    periods.push_back({own[w], std::max(0.0, group.exposure[w] - own[w]), group.events[w] - machine.kept_in[w]});
  }
  absl::StatusOr<std::vector<RateStep>> steps = ComparisonRate(periods);
  if (!steps.ok() || steps->empty()) return {};
  // The same sum in another order: the last step ends where the history does.
  steps->back().until = std::max(steps->back().until, machine.history.end);
  return *std::move(steps);
}

// Wash starts where that is the axis of every machine that was up.
FailureAxis PooledAxis(const std::vector<TrendMachine>& machines) {
  bool any = false;
  for (const TrendMachine& machine : machines) {
    if (machine.clock.hours() <= 0) continue;
    if (!machine.washes) return FailureAxis::kUpHours;
    any = true;
  }
  return any ? FailureAxis::kWashStarts : FailureAxis::kUpHours;
}

EventHistory Pool(const std::vector<Prepared>& machines, FailureAxis axis, const Weeks& weeks) {
  std::vector<double> before(weeks.count() + 1);
  for (std::size_t w = 0; w < weeks.count(); ++w) {
    before[w + 1] = before[w];
    for (const Prepared& machine : machines) {
      if (!machine.On(axis).empty()) before[w + 1] += machine.On(axis)[w];
    }
  }
  EventHistory pooled;
  pooled.end = before.back();
  for (const Prepared& machine : machines) {
    for (const absl::Time at : machine.kept) {
      const std::size_t w = weeks.Of(at);
      const double part = absl::FDivDuration(at - weeks.Start(w), kWeek);
      pooled.at.push_back(std::min(pooled.end, before[w] + part * (before[w + 1] - before[w])));
    }
  }
  std::sort(pooled.at.begin(), pooled.at.end());
  return pooled;
}

}  // namespace

double TrendMachine::ExposureAt(absl::Time at) const {
  return washes ? std::min(washes->AgeAt(at), washes->starts()) : clock.HoursAt(at);
}

absl::StatusOr<JudgedFleet> JudgeFleetTrends(const std::vector<TrendMachine>& machines, double level) {
  if (!(level > 0 && level < 0.5)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a level between 0 and 0.5, found ", level));
  }
  const Weeks weeks(machines);
  std::vector<Prepared> prepared;
  Groups groups;
  for (const TrendMachine& machine : machines) {
    absl::StatusOr<Prepared> one = Prepare(machine, weeks);
    if (!one.ok()) return one.status();
    groups[{machine.group, FailureAxis::kUpHours}].Add(*one, FailureAxis::kUpHours);
    if (machine.washes) groups[{machine.group, FailureAxis::kWashStarts}].Add(*one, FailureAxis::kWashStarts);
    prepared.push_back(*std::move(one));
  }
  JudgedFleet judged;
  judged.pooled_axis = PooledAxis(machines);
  judged.pooled = Pool(prepared, judged.pooled_axis, weeks);
  std::vector<ComparedHistory> compared;
  std::vector<std::size_t> places;  // machines with exposure
  for (std::size_t i = 0; i < machines.size(); ++i) {
    judged.machines.push_back({TrendVerdict(), prepared[i].history, {}});
    judged.machines[i].verdict.events_given = static_cast<int>(prepared[i].history.at.size());
    if (prepared[i].history.end <= 0) continue;
    places.push_back(i);
    EventHistory kept{.at = {}, .end = prepared[i].history.end};
    for (const absl::Time at : prepared[i].kept) kept.at.push_back(machines[i].ExposureAt(at));
    judged.machines[i].declustered = kept;
    const FailureAxis axis = machines[i].axis();
    compared.push_back({std::move(kept), ComparisonOf(prepared[i], axis, groups[{machines[i].group, axis}])});
  }
  if (places.empty()) return judged;
  absl::StatusOr<FleetTrend> trend = JudgeFleet(judged.pooled, compared, {.apart = 0, .level = level});
  if (!trend.ok()) return trend.status();
  judged.fleet = trend->fleet;
  for (std::size_t k = 0; k < places.size(); ++k) {
    JudgedMachine& machine = judged.machines[places[k]];
    const int given = machine.verdict.events_given;
    machine.verdict = trend->own[k];
    machine.verdict.events_given = given;
  }
  return judged;
}

}  // namespace bayward
