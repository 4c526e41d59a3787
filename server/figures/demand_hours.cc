#include "server/figures/demand_hours.h"

#include <algorithm>
#include <utility>

namespace bayward {
namespace {

// Values as in bayward.v1.SoldAs.
constexpr std::uint8_t kStaff = 3;
constexpr std::uint8_t kTest = 4;

template <class Counts>
IntervalSet Spans(const MachineTimeline& timeline, const Interval& window, const Counts& counts) {
  std::vector<Interval> spans;
  for (const ConditionSpan& span : timeline.conditions) {
    if (span.interval.overlaps(window) && counts(span)) spans.push_back(Intersect(span.interval, window));
  }
  return IntervalSet(std::move(spans));
}

bool SeenUp(const ConditionSpan& span) {
  return !span.settled && (span.condition == Condition::kUp || span.condition == Condition::kDegraded);
}

bool Stopped(const ConditionSpan& span) {
  return span.condition == Condition::kDown || span.condition == Condition::kWithheld;
}

void AddWashes(const MachineTimeline& timeline, const Interval& window, MachineWatch& watch) {
  for (const Cycle& cycle : timeline.history.cycles) {
    if (cycle.started_at == absl::InfinitePast()) continue;
    if (IsSold(cycle) && window.contains(cycle.started_at)) watch.starts.push_back(cycle.started_at);
    const Interval wash{cycle.started_at, cycle.finished_at};
    if (cycle.outcome != CycleOutcome::kAbandoned && !wash.empty() && wash.overlaps(window))
      watch.washes.push_back(wash);
  }
  std::sort(watch.starts.begin(), watch.starts.end());
  std::sort(watch.washes.begin(), watch.washes.end(),
            [](const Interval& a, const Interval& b) { return a.start < b.start; });
  watch.places = PlacesOf(watch.washes);
}

std::size_t HourAt(const std::vector<CivilHour>& hours, absl::Time at) {
  const auto hour = std::lower_bound(hours.begin(), hours.end(), at,
                                     [](const CivilHour& h, absl::Time t) { return h.interval.end <= t; });
  return static_cast<std::size_t>(hour - hours.begin());
}

// Calls `visit` for every hour and how long the interval is in it.
template <class Visit>
void EachHour(const std::vector<CivilHour>& hours, const Interval& interval, const Visit& visit) {
  for (std::size_t h = HourAt(hours, interval.start); h < hours.size(); ++h) {
    if (hours[h].interval.start >= interval.end) return;
    visit(h, absl::ToDoubleHours(Intersect(hours[h].interval, interval).length()));
  }
}

std::vector<DemandHour> RowsOf(const std::vector<CivilHour>& hours, const MachineWatch& watch,
                               const IntervalSet& ready) {
  std::vector<DemandHour> rows(hours.size());
  for (const Interval& stretch : ready.intervals()) {
    EachHour(hours, stretch, [&](std::size_t h, double length) { rows[h].up_hours += length; });
  }
  for (const absl::Time start : watch.starts) {
    const std::size_t h = HourAt(hours, start);
    if (h < hours.size() && hours[h].interval.contains(start) && ready.contains(start)) ++rows[h].starts;
  }
  for (const Interval& wash : watch.washes) {
    const auto& stretches = ready.intervals();
    auto stretch = std::lower_bound(stretches.begin(), stretches.end(), wash.start,
                                    [](const Interval& i, absl::Time t) { return i.end <= t; });
    for (; stretch != stretches.end() && stretch->start < wash.end; ++stretch) {
      EachHour(hours, Intersect(wash, *stretch),
               [&](std::size_t h, double length) { rows[h].utilisation += length; });
    }
  }
  std::vector<DemandHour> kept;
  for (std::size_t h = 0; h < hours.size(); ++h) {
    DemandHour& row = rows[h];
    if (!(row.up_hours > 0)) continue;
    row.day = hours[h].day;
    row.cell = hours[h].cell;
    row.up_hours = std::min(1.0, row.up_hours);  // rounding
    row.utilisation = std::min(1.0, row.utilisation / (row.up_hours * watch.places));
    kept.push_back(row);
  }
  return kept;
}

}  // namespace

bool IsSold(const Cycle& cycle) { return cycle.sold_as != kStaff && cycle.sold_as != kTest; }

MachineWatch WatchOf(const MachineTimeline& timeline, const Interval& window) {
  MachineWatch watch;
  watch.up = Spans(timeline, window, SeenUp);
  watch.not_ready = timeline.required.Union(timeline.excluded).Intersect(window).Minus(watch.up);
  watch.stopped = Spans(timeline, window, Stopped);
  AddWashes(timeline, window, watch);
  return watch;
}

std::vector<std::vector<DemandHour>> ComputeDemandHours(const std::vector<CivilHour>& hours,
                                                        std::span<const MachineWatch* const> washing,
                                                        std::span<const MachineWatch* const> plant) {
  IntervalSet not_ready;
  for (const MachineWatch* machine : washing) not_ready = not_ready.Union(machine->not_ready);
  for (const MachineWatch* machine : plant) not_ready = not_ready.Union(machine->stopped);
  std::vector<std::vector<DemandHour>> rows;
  for (const MachineWatch* machine : washing) {
    rows.push_back(RowsOf(hours, *machine, machine->up.Minus(not_ready)));
  }
  return rows;
}

int PlacesOf(std::span<const Interval> washes) {
  constexpr double kNegligible = 0.01;
  std::vector<std::pair<absl::Time, int>> edges;
  for (const Interval& wash : washes) {
    edges.emplace_back(wash.start, 1);
    edges.emplace_back(wash.end, -1);
  }
  std::sort(edges.begin(), edges.end());
  std::vector<absl::Duration> at_once = {absl::ZeroDuration()};  // by how many are under way
  std::size_t under_way = 0;
  for (std::size_t i = 0; i + 1 < edges.size(); ++i) {
    under_way = edges[i].second > 0 ? under_way + 1 : under_way - 1;
    if (under_way >= at_once.size()) at_once.resize(under_way + 1);
    if (under_way > 0) at_once[under_way] += edges[i + 1].first - edges[i].first;
  }
  absl::Duration any;
  for (const absl::Duration time : at_once) any += time;
  absl::Duration so_many;
  for (std::size_t places = at_once.size() - 1; places > 1; --places) {
    so_many += at_once[places];
    if (so_many > kNegligible * any) return static_cast<int>(places);
  }
  return 1;
}

}  // namespace bayward
