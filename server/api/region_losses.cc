#include "server/api/region_losses.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "proto/common/status.h"
#include "server/api/ranking_rows.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

constexpr int kDraws = 500;  // the place of a 5 % limit is then off by 1 %
// A verdict over many blocks needs them less exactly, and no more blocks than chance leaves 1.5 % open with.
constexpr int kHiddenDraws = 200;
constexpr std::size_t kHiddenBlocksMax = 400;

double HoursOf(const std::vector<ExposedHour>& hours) {
  double sum = 0;
  for (const ExposedHour& hour : hours) sum += hour.hours;
  return sum;
}

void Append(const std::vector<ExposedHour>& more, std::vector<ExposedHour>& hours) {
  hours.insert(hours.end(), more.begin(), more.end());
}

WashValue ValueIn(const RegionSite& site, const DemandPeriod& period) {
  return site.ValueBefore(std::min(period.interval.end, site.window.end));
}

void SetEstimate(double value, double lower, double upper, v1::Estimate& estimate) {
  estimate.set_value(value);
  estimate.set_lower(lower);
  estimate.set_upper(upper);
}

// What one site adds to its net loss in one period.
struct NetPart {
  std::vector<ExposedHour> required;  // observed
  std::vector<ExposedHour> down;
  std::vector<ExposedHour> withheld;
  std::int64_t observed = 0;
};

NetPart NetPartOf(const RegionHistory& history, const RegionSite& site, const IntervalSet& told) {
  NetPart part;
  for (const std::size_t i : site.machines) {
    const RegionMachine& machine = history.machines[i];
    const IntervalSet watched = machine.watch.up.Union(machine.watch.stopped).Intersect(told);
    Append(ExposedHours(site.hours, i, watched), part.required);
    Append(ExposedHours(site.hours, i, machine.lost.down.Intersect(told)), part.down);
    Append(ExposedHours(site.hours, i, machine.lost.withheld.Intersect(told)), part.withheld);
    for (const Interval& stretch : watched.intervals()) {
      const auto first = std::lower_bound(machine.watch.starts.begin(), machine.watch.starts.end(), stretch.start);
      part.observed += std::lower_bound(first, machine.watch.starts.end(), stretch.end) - first;
    }
  }
  return part;
}

int BlockDays(std::vector<absl::Duration> outages) {
  absl::Duration typical;
  if (!outages.empty()) {
    const auto middle = outages.begin() + static_cast<std::ptrdiff_t>(outages.size() / 2);
    std::nth_element(outages.begin(), middle, outages.end());
    typical = *middle;
  }
  constexpr double kDaysMax = 14;
  const double days = absl::FDivDuration(typical + absl::Hours(kAftermathHours), absl::Hours(24));
  return static_cast<int>(std::min(kDaysMax, std::max(1.0, std::ceil(days))));
}

// So many at most, spread evenly.
void Thin(std::vector<HiddenBlock>& blocks) {
  const std::size_t step = (blocks.size() + kHiddenBlocksMax - 1) / kHiddenBlocksMax;
  std::vector<HiddenBlock> kept;
  for (std::size_t i = 0; i < blocks.size(); i += step) kept.push_back(blocks[i]);
  blocks = std::move(kept);
}

std::vector<HiddenBlock> BlocksOf(const RegionHistory& history, absl::Time end, int days, bool all_sites) {
  std::vector<HiddenBlock> blocks;
  for (std::size_t s = 0; s < history.sites.size(); ++s) {
    if (!all_sites && !history.sites[s].asked) continue;
    const int last = DayNumber(DayAt(history.sites[s].site->calendar, end));
    for (int day = last - kHiddenWeeks * 7; day + days <= last; day += days) {
      blocks.push_back({.site = s, .first_day = day, .days = days});
    }
  }
  return blocks;
}

}  // namespace

LossDraws::LossDraws(double confidence) : options_{.confidence = confidence, .draws = kDraws} {}

LossOptions LossDraws::Next() {
  ++options_.seed;
  return options_;
}

absl::Status LossDraws::AddGross(const RegionHistory& history, const RegionDemand& demand, const GroupName& group_of,
                                 std::map<std::string, GrossSums>& groups) {
  if (demand.periods.empty()) return absl::OkStatus();
  struct Lost {
    std::vector<ExposedHour> down;
    std::vector<ExposedHour> withheld;
  };
  for (const RegionMachine& machine : history.machines) {
    if (machine.asked) ++groups[group_of(*history.sites[machine.site].site, *machine.machine)].machines;
  }
  for (const DemandPeriod& period : demand.periods) {
    for (std::size_t s = 0; s < history.sites.size(); ++s) {
      const RegionSite& site = history.sites[s];
      std::map<std::string, Lost> lost;
      for (const std::size_t i : site.machines) {
        const RegionMachine& machine = history.machines[i];
        if (!machine.asked) continue;
        Lost& of_group = lost[group_of(*site.site, *machine.machine)];
        Append(ExposedHours(site.hours, i, machine.lost.down.Intersect(period.interval)), of_group.down);
        Append(ExposedHours(site.hours, i, machine.lost.withheld.Intersect(period.interval)), of_group.withheld);
      }
      const WashValue value = ValueIn(site, period);
      for (const auto& [name, hours] : lost) {
        GrossSums& sums = groups[name];
        sums.down_hours += HoursOf(hours.down);
        sums.withheld_hours += HoursOf(hours.withheld);
        BAYWARD_ASSIGN_OR_RETURN(const DrawnStarts down,
                                 DrawStarts(period.model, hours.down, period.factors[s], Next()));
        sums.down.Add(down, value);
        BAYWARD_ASSIGN_OR_RETURN(const DrawnStarts withheld,
                                 DrawStarts(period.model, hours.withheld, period.factors[s], Next()));
        sums.withheld.Add(withheld, value);
      }
    }
  }
  return absl::OkStatus();
}

absl::Status LossDraws::AddNet(const RegionHistory& history, const RegionDemand& demand, absl::Time now,
                               std::map<std::string, NetSums>& sites) {
  for (std::size_t s = 0; s < history.sites.size(); ++s) {
    const RegionSite& site = history.sites[s];
    if (!site.asked) continue;
    std::vector<IntervalSet> stopped;
    for (const std::size_t i : site.machines) stopped.push_back(history.machines[i].watch.stopped);
    const IntervalSet told = NetTime(stopped, site.window, now);
    for (const DemandPeriod& period : demand.periods) {
      const NetPart part = NetPartOf(history, site, told.Intersect(period.interval));
      if (part.required.empty()) continue;
      BAYWARD_ASSIGN_OR_RETURN(const DrawnStarts expected,
                               DrawStarts(period.model, part.required, period.factors[s], Next()));
      BAYWARD_ASSIGN_OR_RETURN(const double down, ExpectedStarts(period.model, part.down, period.factors[s]));
      BAYWARD_ASSIGN_OR_RETURN(const double withheld,
                               ExpectedStarts(period.model, part.withheld, period.factors[s]));
      NetSums& sums = sites[site.site->key];
      sums.all.Add(expected, ValueIn(site, period), part.observed);
      sums.expected += expected.mean;
      sums.observed += part.observed;
      sums.down += down;
      sums.withheld += withheld;
    }
  }
  return absl::OkStatus();
}

absl::Status LossDraws::AddNow(const RegionHistory& history, absl::Time now, std::vector<v1::LossNowRow>& rows) {
  const auto stopped = [](const RegionMachine& machine) { return machine.asked && machine.now.has_value(); };
  if (std::none_of(history.machines.begin(), history.machines.end(), stopped)) return absl::OkStatus();
  const absl::StatusOr<DemandPeriod> today = FitAsOf(history, {now, absl::InfiniteFuture()});
  if (absl::IsInvalidArgument(today.status())) return absl::OkStatus();
  BAYWARD_RETURN_IF_ERROR(today.status());
  for (std::size_t i = 0; i < history.machines.size(); ++i) {
    const RegionMachine& machine = history.machines[i];
    if (!stopped(machine)) continue;
    const RegionSite& site = history.sites[machine.site];
    const CivilHour hour = CivilHours(site.site->calendar, {now, now + absl::Seconds(1)}).front();
    const DayFactors& factors = today->factors[machine.site];
    const auto factor = factors.find(hour.day);
    const WashValue value = site.ValueBefore(now);
    LossOptions options = Next();
    options.price = value.price.value_or(0);
    const std::size_t index[] = {i};
    BAYWARD_ASSIGN_OR_RETURN(
        const Loss loss,
        LossPerHour(today->model, index, hour.cell, factor == factors.end() ? 1 : factor->second, options));
    v1::LossNowRow& row = rows.emplace_back();
    row.set_machine(machine.machine->full_name);
    row.set_condition(machine.now->condition == Condition::kDown ? "down" : "withheld");
    row.set_since_us(absl::ToUnixMicros(machine.now->since));
    SetEstimate(loss.washes, loss.lower, loss.upper, *row.mutable_washes_per_hour());
    if (!value.price) continue;
    SetEstimate(loss.money, loss.money_lower, loss.money_upper, *row.mutable_money_per_hour());
    row.set_currency(std::string(value.currency));
  }
  return absl::OkStatus();
}

absl::Status LossDraws::AddHidden(const RegionHistory& history, absl::Time end, std::vector<JudgedBlock>& judged) {
  const int days = BlockDays(history.outages);
  std::vector<HiddenBlock> blocks = BlocksOf(history, end, days, /*all_sites=*/false);
  if (blocks.size() < kJudgedBlocksMin) blocks = BlocksOf(history, end, days, /*all_sites=*/true);
  Thin(blocks);
  LossOptions options = Next();
  options.draws = kHiddenDraws;
  BAYWARD_ASSIGN_OR_RETURN(const std::vector<JudgedBlock> more,
                           BacktestDemand(history.demand, blocks, {}, options));
  options_.seed += more.size();  // the backtest counts on from the seed it is given
  judged.insert(judged.end(), more.begin(), more.end());
  return absl::OkStatus();
}

absl::Status AddClassLosses(const RegionHistory& history, const RegionDemand& demand,
                            const LossDraws::GroupName& group_of, ClassLosses& losses) {
  for (const DemandPeriod& period : demand.periods) {
    for (std::size_t i = 0; i < history.machines.size(); ++i) {
      const RegionMachine& machine = history.machines[i];
      if (!machine.asked) continue;
      const RegionSite& site = history.sites[machine.site];
      const std::string group = group_of(*site.site, *machine.machine);
      for (const auto& [fault_class, down] : machine.lost.down_by_class) {
        const IntervalSet when = down.Intersect(period.interval);
        if (when.empty()) continue;
        BAYWARD_ASSIGN_OR_RETURN(const double washes,
                                 ExpectedStarts(period.model, ExposedHours(site.hours, i, when),
                                                period.factors[machine.site]));
        losses[{group, RankingName(fault_class)}].Add(washes, ValueIn(site, period));
      }
    }
  }
  return absl::OkStatus();
}

}  // namespace bayward
