#include "server/figures/ranking.h"

#include <algorithm>
#include <cstddef>
#include <cstdlib>
#include <limits>
#include <map>
#include <set>
#include <tuple>
#include <utility>

#include "server/timeline/material.h"

namespace bayward {
namespace {

// Stands for every external cause among the classes active at an instant.
constexpr FaultClassNumber kExternalCause = std::numeric_limits<FaultClassNumber>::min();

using Rows = std::map<FaultClassNumber, RankingRow>;

// What was active when, in part of one outage.
struct Active {
  Interval interval;
  FaultClassNumber fault_class;
};

std::vector<Active> ActiveWithin(const MachineTimeline& timeline, const Outage& outage,
                                 const Interval& part) {
  std::vector<Active> active;
  const auto add = [&](const Interval& interval, FaultClassNumber fault_class) {
    const Interval common = Intersect(interval, part);
    if (!common.empty()) active.push_back({common, fault_class});
  };
  const auto add_spell = [&](const Spell& spell) {
    Interval known = CutAtVoided(spell.interval(), timeline.voided);
    if (spell.end == SpellEnd::kOpen) known.end = std::min(known.end, timeline.seen_until);
    add(known, spell.fault_class);
  };
  add_spell(*outage.first_out);
  for (const Spell* spell : outage.consequential) add_spell(*spell);
  const auto& external = timeline.blocked_external.intervals();
  auto cause = std::lower_bound(external.begin(), external.end(), part.start,
                                [](const Interval& i, absl::Time t) { return i.end <= t; });
  for (; cause != external.end() && cause->start < part.end; ++cause) add(*cause, kExternalCause);
  return active;
}

// Adds the alone and present hours of part of an outage, in one sweep over what began and ended in it.
void AddPresence(const MachineTimeline& timeline, const std::vector<Active>& active, Rows& rows) {
  struct Point {
    absl::Time at;
    FaultClassNumber fault_class;
    int by;
  };
  std::vector<Point> points;
  points.reserve(2 * active.size());
  for (const Active& one : active) {
    points.push_back({one.interval.start, one.fault_class, 1});
    points.push_back({one.interval.end, one.fault_class, -1});
  }
  // Beginnings first, so that a class whose spells abut is never absent between them.
  std::sort(points.begin(), points.end(),
            [](const Point& a, const Point& b) { return std::tuple(a.at, b.by) < std::tuple(b.at, a.by); });
  struct Since {
    int count = 0;
    absl::Time began;
  };
  std::map<FaultClassNumber, Since> now;
  for (std::size_t i = 0; i < points.size();) {
    const absl::Time at = points[i].at;
    for (; i < points.size() && points[i].at == at; ++i) {
      Since& since = now[points[i].fault_class];
      if (since.count == 0) since.began = at;
      since.count += points[i].by;
    }
    for (auto one = now.begin(); one != now.end();) {
      if (one->second.count > 0) {
        ++one;
        continue;
      }
      if (one->first != kExternalCause) {
        rows[one->first].present += timeline.DownWithin({one->second.began, at});
      }
      one = now.erase(one);
    }
    if (now.size() == 1 && now.begin()->first != kExternalCause) {
      rows[now.begin()->first].alone += timeline.DownWithin({at, points[i].at});
    }
  }
}

// Adds one machine; returns the classes that were first-out on it.
std::set<FaultClassNumber> AddMachine(const MachineTimeline& timeline, const Interval& window, Rows& rows) {
  std::set<FaultClassNumber> first_out_on;
  absl::Duration of_outages;
  const auto& outages = timeline.outages;
  auto outage = std::lower_bound(outages.begin(), outages.end(), window.start,
                                 [](const Outage& o, absl::Time t) { return o.interval.end <= t; });
  for (; outage != outages.end() && outage->interval.start < window.end; ++outage) {
    const Interval part = Intersect(outage->interval, window);
    const FaultClassNumber fault_class =
        outage->order_observed ? outage->first_out->fault_class : kOrderNotObserved;
    const absl::Duration down = timeline.DownWithin(part);
    const bool begun = window.contains(outage->interval.start);
    RankingRow& row = rows[fault_class];
    row.first_out += down;
    of_outages += down;
    if (begun) {
      ++row.outages;
      if (outage->begins_failure && !outage->began_unobserved) ++row.failures;
    }
    if (begun || down > absl::ZeroDuration()) first_out_on.insert(fault_class);
    AddPresence(timeline, ActiveWithin(timeline, *outage, part), rows);
  }
  // All that is down and belongs to no outage was settled by a person.
  const absl::Duration settled = timeline.DownWithin(window) - of_outages;
  if (settled > absl::ZeroDuration()) {
    rows[kSettledAsDown].first_out += settled;
    first_out_on.insert(kSettledAsDown);
  }
  return first_out_on;
}

// Descending in the measure. Durations and counts do not mix within one measure.
std::pair<absl::Duration, int> Measure(const RankingRow& row, RankBy by) {
  switch (by) {
    case RankBy::kFirstOut:
      return {row.first_out, 0};
    case RankBy::kAlone:
      return {row.alone, 0};
    case RankBy::kPresent:
      return {row.present, 0};
    case RankBy::kOutages:
      return {absl::ZeroDuration(), row.outages};
    case RankBy::kFailures:
      return {absl::ZeroDuration(), row.failures};
  }
  return {};
}

void Sort(std::vector<RankingRow>& rows, RankBy by) {
  std::sort(rows.begin(), rows.end(), [by](const RankingRow& a, const RankingRow& b) {
    const auto of_a = Measure(a, by);
    const auto of_b = Measure(b, by);
    return of_a != of_b ? of_a > of_b : a.fault_class < b.fault_class;
  });
}

std::map<FaultClassNumber, int> Ranks(std::vector<RankingRow> rows, RankBy by) {
  Sort(rows, by);
  std::map<FaultClassNumber, int> ranks;
  for (const RankingRow& row : rows) ranks.emplace(row.fault_class, static_cast<int>(ranks.size()) + 1);
  return ranks;
}

std::vector<RankingRow> Finish(const Rows& by_class, RankBy by) {
  std::vector<RankingRow> rows;
  absl::Duration down;
  for (const auto& [fault_class, row] : by_class) {
    if (row.first_out == absl::ZeroDuration() && row.present == absl::ZeroDuration() && row.outages == 0)
      continue;
    rows.push_back(row);
    rows.back().fault_class = fault_class;
    down += row.first_out;
  }
  constexpr int kRanksApartMax = 5;
  const auto by_first_out = Ranks(rows, RankBy::kFirstOut);
  const auto by_present = Ranks(rows, RankBy::kPresent);
  Sort(rows, by);
  absl::Duration so_far;
  int rank = 0;
  for (RankingRow& row : rows) {
    row.rank = ++rank;
    so_far += row.first_out;
    if (down > absl::ZeroDuration()) {
      row.share = absl::FDivDuration(row.first_out, down);
      row.cumulative_share = absl::FDivDuration(so_far, down);
    }
    row.order_matters =
        std::abs(by_first_out.at(row.fault_class) - by_present.at(row.fault_class)) > kRanksApartMax;
  }
  return rows;
}

}  // namespace

std::vector<RankingRow> RankFaults(std::span<const MachineTimeline* const> machines, const Interval& window,
                                   RankBy by) {
  const std::vector<Interval> windows(machines.size(), window);
  return RankFaults(machines, windows, by);
}

std::vector<RankingRow> RankFaults(std::span<const MachineTimeline* const> machines,
                                   std::span<const Interval> windows, RankBy by) {
  Rows rows;
  for (std::size_t i = 0; i < std::min(machines.size(), windows.size()); ++i) {
    for (const FaultClassNumber fault_class : AddMachine(*machines[i], windows[i], rows)) {
      ++rows[fault_class].machines;
    }
  }
  return Finish(rows, by);
}

}  // namespace bayward
