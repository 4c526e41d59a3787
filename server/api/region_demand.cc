#include "server/api/region_demand.h"

#include <algorithm>
#include <limits>
#include <map>
#include <set>
#include <utility>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/timeline_reader.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

// What is kept of a machine once its timeline is gone.
struct Read {
  RegionMachine machine;
  bool has_washes = false;
  absl::Time first_wash = absl::InfiniteFuture();
  std::vector<std::pair<absl::Time, std::string>> sold;  // start or, if not known, finish; programme
};

class RegionReader {
 public:
  RegionReader(const FiguresSources& sources, const FiguresQuestion& question, const std::string& region,
               absl::Time from)
      : sources_(sources), question_(question), from_(from) {
    history_.region = region;
    for (const Machine* machine : question.selection.machines) {
      asked_.insert(machine->id);
      asked_sites_.insert(machine->site);
    }
  }

  absl::StatusOr<RegionHistory> Run() {
    std::vector<const Machine*> machines;
    for (const Machine& machine : question_.fleet->machines) {
      if (question_.fleet->FindSite(machine.site)->region == history_.region) machines.push_back(&machine);
    }
    TimelineReader reader(sources_.histories, *question_.fleet, from_, question_.now);
    BAYWARD_RETURN_IF_ERROR(
        reader.Read(machines, [this](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
          Visit(machine, *timeline);
        }));
    Assemble();
    return std::move(history_);
  }

 private:
  void Visit(const Machine& machine, const MachineTimeline& timeline) {
    Read& read = read_.emplace_back();
    RegionMachine& kept = read.machine;
    kept.machine = &machine;
    kept.asked = asked_.contains(machine.id);
    kept.watch = WatchOf(timeline, {from_, question_.now});
    for (const Cycle& cycle : timeline.history.cycles) {
      const bool started = cycle.started_at != absl::InfinitePast();
      const absl::Time at = started ? cycle.started_at : cycle.finished_at;
      read.has_washes = true;
      read.first_wash = std::min(read.first_wash, at);
      if (IsSold(cycle)) read.sold.emplace_back(at, cycle.programme);
    }
    if (!asked_sites_.contains(machine.site)) return;
    const Interval& window = question_.WindowOf(machine);
    kept.lost = LostTimeOf(timeline, window);
    kept.now = StoppedAtEnd(timeline, question_.now);
    for (const Outage& outage : timeline.outages) {
      if (!outage.restoration_censored && outage.interval.start >= from_)
        history_.outages.push_back(outage.interval.length());
    }
    if (kept.asked) history_.total.Add(ComputeAccount(timeline, window));
  }

  void Assemble() {
    std::set<std::string> washing_kinds;
    absl::Time first_wash = absl::InfiniteFuture();
    for (const Read& read : read_) {
      if (read.has_washes) washing_kinds.insert(read.machine.machine->kind);
      first_wash = std::min(first_wash, read.first_wash);
    }
    std::map<SiteId, std::size_t> site_index;
    for (Read& read : read_) {
      const bool washes = washing_kinds.contains(read.machine.machine->kind);
      if (read.machine.asked) ++(washes ? history_.asked_that_wash : history_.asked_that_never_wash);
      if (!washes) {
        plant_[read.machine.machine->id] = &read.machine.watch;
        continue;
      }
      const SiteId id = read.machine.machine->site;
      const auto [at, is_new] = site_index.emplace(id, history_.sites.size());
      if (is_new) AddSite(*question_.fleet->FindSite(id));
      read.machine.site = at->second;
      RegionSite& site = history_.sites[at->second];
      site.machines.push_back(history_.machines.size());
      for (const auto& [sold_at, programme] : read.sold) site.price.Add(sold_at, programme);
      history_.machines.push_back(std::move(read.machine));
    }
    history_.demand.resize(history_.machines.size());
    const absl::Time teaches_from = std::max(first_wash, question_.now - kCyclesKept);
    for (std::size_t s = 0; s < history_.sites.size(); ++s) FillDemand(s, teaches_from);
  }

  void AddSite(const Site& site) {
    const bool asked = asked_sites_.contains(site.id);
    history_.sites.push_back({.site = &site,
                              .asked = asked,
                              .window = asked ? question_.windows.of.at(site.id) : Interval{},
                              .hours = CivilHours(site.calendar, {from_, question_.now}),
                              .price = WashPrice(site),
                              .machines = {}});
  }

  void FillDemand(std::size_t at, absl::Time teaches_from) {
    const RegionSite& site = history_.sites[at];
    std::vector<const MachineWatch*> washing, plant;
    std::set<MachineId> needed;
    for (const std::size_t i : site.machines) {
      washing.push_back(&history_.machines[i].watch);
      for (const MachineId id : history_.machines[i].machine->depends_on) needed.insert(id);
    }
    for (const MachineId id : needed) {
      if (const auto found = plant_.find(id); found != plant_.end()) plant.push_back(found->second);
    }
    std::vector<CivilHour> hours;
    std::copy_if(site.hours.begin(), site.hours.end(), std::back_inserter(hours),
                 [&](const CivilHour& hour) { return hour.interval.start >= teaches_from; });
    std::vector<std::vector<DemandHour>> rows = ComputeDemandHours(hours, washing, plant);
    for (std::size_t k = 0; k < rows.size(); ++k) {
      history_.demand[site.machines[k]] = {.site = at, .hours = std::move(rows[k])};
    }
  }

  const FiguresSources& sources_;
  const FiguresQuestion& question_;
  const absl::Time from_;
  std::set<MachineId> asked_;
  std::set<SiteId> asked_sites_;
  std::vector<Read> read_;
  std::map<MachineId, const MachineWatch*> plant_;  // into read_
  RegionHistory history_;
};

// The date at `at` at the site where it is earliest.
int FirstDayAt(const RegionHistory& history, absl::Time at) {
  int day = std::numeric_limits<int>::max();
  for (const RegionSite& site : history.sites) day = std::min(day, DayNumber(DayAt(site.site->calendar, at)));
  return day;
}

std::vector<Interval> FitPeriods(const Interval& hull) {
  constexpr absl::Duration kWeek = absl::Hours(24 * 7);
  if (hull.length() <= kOneFitMax) return {{hull.start, absl::InfiniteFuture()}};
  std::vector<Interval> periods;
  for (absl::Time at = hull.start; at < hull.end; at += kWeek) periods.push_back({at, at + kWeek});
  periods.back().end = absl::InfiniteFuture();
  return periods;
}

// The days that factors are asked for are few beside those that taught.
std::vector<DemandMachine> OnDays(const std::vector<DemandMachine>& machines, int first, int last) {
  std::vector<DemandMachine> cut(machines.size());
  for (std::size_t i = 0; i < machines.size(); ++i) {
    cut[i].site = machines[i].site;
    std::copy_if(machines[i].hours.begin(), machines[i].hours.end(), std::back_inserter(cut[i].hours),
                 [&](const DemandHour& hour) { return first <= hour.day && hour.day <= last; });
  }
  return cut;
}

}  // namespace

std::vector<std::string> RegionsOf(const FiguresQuestion& question) {
  std::set<std::string> regions;
  for (const Machine* machine : question.selection.machines) {
    regions.insert(question.fleet->FindSite(machine->site)->region);
  }
  return {regions.begin(), regions.end()};
}

absl::StatusOr<RegionHistory> ReadRegion(const FiguresSources& sources, const FiguresQuestion& question,
                                         const std::string& region, absl::Time from) {
  return RegionReader(sources, question, region, from).Run();
}

absl::StatusOr<DemandPeriod> FitAsOf(const RegionHistory& history, const Interval& interval) {
  DemandPeriod period{.interval = interval, .model = {}, .factors = {}};
  const DemandOptions options{.as_of_day = FirstDayAt(history, interval.start)};
  BAYWARD_ASSIGN_OR_RETURN(period.model, FitDemand(history.demand, options));
  constexpr int kBeyondDays = 4;  // what follows an outage, and a date that differs between zones
  const int last = interval.end == absl::InfiniteFuture() ? std::numeric_limits<int>::max()
                                                          : FirstDayAt(history, interval.end) + kBeyondDays;
  const std::vector<DemandMachine> days = OnDays(history.demand, options.as_of_day, last);
  period.factors.resize(history.sites.size());
  for (std::size_t s = 0; s < history.sites.size(); ++s) {
    if (!history.sites[s].asked) continue;
    BAYWARD_ASSIGN_OR_RETURN(period.factors[s], SameDayFactors(period.model, days, s, options));
  }
  return period;
}

absl::StatusOr<RegionDemand> FitRegion(const RegionHistory& history, const Interval& hull) {
  RegionDemand demand;
  if (history.machines.empty()) {
    demand.not_known = "no wash of any machine was seen";
    return demand;
  }
  for (const Interval& interval : FitPeriods(hull)) {
    absl::StatusOr<DemandPeriod> period = FitAsOf(history, interval);
    if (period.ok()) {
      demand.periods.push_back(*std::move(period));
    } else if (absl::IsInvalidArgument(period.status())) {
      const auto why = period.status().message();
      demand.not_known = std::string(why.data(), why.size());
      if (interval.end < hull.end) {
        const absl::CivilDay until = DayOfNumber(FirstDayAt(history, interval.end));
        demand.not_known = fmt::format("until {}: {}", absl::FormatCivilTime(until), demand.not_known);
      }
    } else {
      return period.status();
    }
  }
  return demand;
}

}  // namespace bayward
