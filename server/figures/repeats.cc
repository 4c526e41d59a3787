#include "server/figures/repeats.h"

#include <algorithm>
#include <cstddef>
#include <map>
#include <tuple>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/binomial.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using Binomial = boost::math::binomial_distribution<double, Quiet>;

bool Asked(const Outage& outage, const std::optional<Origin>& origin) {
  return !origin.has_value() || outage.first_out->origin == *origin;
}

// Whether what the machine was doing is known, first-hand, in all required time of an interval.
bool Watched(const MachineTimeline& timeline, const Interval& interval) {
  const auto& spans = timeline.conditions;
  auto span = std::lower_bound(spans.begin(), spans.end(), interval.start,
                               [](const ConditionSpan& s, absl::Time t) { return s.interval.end <= t; });
  for (; span != spans.end() && span->interval.start < interval.end; ++span) {
    if (span->condition == Condition::kUnknown || span->settled) return false;
  }
  return true;
}

bool Washed(const MachineTimeline& timeline, const Interval& interval) {
  const auto& cycles = timeline.history.cycles;
  auto cycle = std::lower_bound(cycles.begin(), cycles.end(), interval.start,
                                [](const Cycle& c, absl::Time t) { return c.finished_at < t; });
  for (; cycle != cycles.end() && cycle->finished_at < interval.end; ++cycle) {
    if (cycle->outcome == CycleOutcome::kCompleted && !timeline.blocked.contains(cycle->finished_at))
      return true;
  }
  return false;
}

// The next outage with the same first-out class. Nothing looks further than kRepeatWithin.
const Outage* NextOfClass(const std::vector<Outage>& outages, std::size_t index) {
  const Outage& outage = outages[index];
  for (std::size_t i = index + 1; i < outages.size(); ++i) {
    if (outages[i].interval.start - outage.interval.end >= kRepeatWithin) return nullptr;
    if (outages[i].first_out->fault_class == outage.first_out->fault_class) return &outages[i];
  }
  return nullptr;
}

using Key = std::pair<std::optional<FaultClassNumber>, std::optional<std::size_t>>;
using Rows = std::map<Key, RepeatRow>;

Key KeyOf(RepeatGrouping grouping, FaultClassNumber fault_class, std::size_t machine) {
  switch (grouping) {
    case RepeatGrouping::kAll:
      return {};
    case RepeatGrouping::kClass:
      return {fault_class, std::nullopt};
    case RepeatGrouping::kMachine:
      return {std::nullopt, machine};
    case RepeatGrouping::kMachineAndClass:
      return {fault_class, machine};
  }
  return {};
}

void AddFollowUp(const MachineTimeline& timeline, std::size_t index, absl::Time now, RepeatRow& row) {
  const Outage& outage = timeline.outages[index];
  const Interval after{outage.interval.end, outage.interval.end + kRepeatWithin};
  ++row.restored;
  if (after.end > now || !Watched(timeline, after)) return;
  ++row.followed;
  if (NextOfClass(timeline.outages, index) != nullptr) {
    ++row.repeats;
  } else if (Washed(timeline, after)) {
    ++row.held;
  } else {
    ++row.no_wash;
  }
}

void AddMachine(const MachineTimeline& timeline, std::size_t machine, const Interval& window, absl::Time now,
                const RepeatOptions& options, Rows& rows) {
  const auto& outages = timeline.outages;
  const auto begin = std::lower_bound(outages.begin(), outages.end(), window.start,
                                      [](const Outage& o, absl::Time t) { return o.interval.end < t; });
  for (auto i = static_cast<std::size_t>(begin - outages.begin()); i < outages.size(); ++i) {
    const Outage& outage = outages[i];
    if (outage.interval.end >= std::min(window.end, now)) break;
    if (outage.restoration_censored || !outage.order_observed || !Asked(outage, options.origin)) continue;
    const Key key = KeyOf(options.grouping, outage.first_out->fault_class, machine);
    RepeatRow& row = rows[key];
    row.fault_class = key.first;
    if (key.second.has_value()) row.machine = timeline.history.machine;
    AddFollowUp(timeline, i, now, row);
  }
}

void SetLimits(double confidence, RepeatRow& row) {
  if (row.followed == 0) return;
  const double n = row.followed;
  const double x = row.repeats;
  const double tail = (1 - confidence) / 2;
  row.rate = x / n;
  row.lower = row.repeats == 0 ? 0 : Binomial::find_lower_bound_on_p(n, x, tail);
  row.upper = row.repeats == row.followed ? 1 : Binomial::find_upper_bound_on_p(n, x, tail);
}

void Rank(RepeatOrder order, std::vector<RepeatRow>& rows) {
  const auto measures = [order](const RepeatRow& row) {
    const double repeats = row.repeats;
    const double at_least = row.lower.value_or(0);
    return order == RepeatOrder::kRepeats ? std::pair(repeats, at_least) : std::pair(at_least, repeats);
  };
  // Rows come by class and machine, and keep that order where they are alike.
  std::stable_sort(rows.begin(), rows.end(),
                   [&](const RepeatRow& a, const RepeatRow& b) { return measures(a) > measures(b); });
  int rank = 0;
  for (RepeatRow& row : rows) row.rank = ++rank;
}

// The chains of one machine.
class Chains {
 public:
  Chains(const MachineTimeline& timeline, const Interval& window, absl::Time now, const SoreOptions& options,
         std::vector<Sore>& sores)
      : timeline_(timeline), window_(window), now_(now), options_(options), sores_(sores) {}

  void Find() {
    for (const Outage& outage : timeline_.outages) {
      if (outage.interval.start >= now_) break;
      if (outage.order_observed && Asked(outage, options_.origin)) Add(outage);
    }
    for (const auto& [fault_class, chain] : chains_) Keep(chain);
  }

 private:
  struct Chain {
    Sore sore;
    bool in_window = false;
  };

  void Add(const Outage& outage) {
    Chain& chain = chains_[outage.first_out->fault_class];
    if (chain.sore.outages > 0 && outage.interval.start - chain.sore.until >= options_.gap) {
      Keep(chain);
      chain = {};
    }
    Sore& sore = chain.sore;
    if (sore.outages == 0) {
      sore.machine = timeline_.history.machine;
      sore.fault_class = outage.first_out->fault_class;
      sore.first = outage.interval.start;
    }
    ++sore.outages;
    if (outage.begins_failure) ++sore.failures;
    sore.last = outage.interval.start;
    sore.open = outage.interval.end > now_;
    sore.until = sore.open ? std::max(sore.last, std::min(now_, timeline_.seen_until)) : outage.interval.end;
    sore.down += outage.down;
    if (window_.overlaps({sore.last, sore.until})) chain.in_window = true;
  }

  void Keep(const Chain& chain) {
    if (chain.in_window && chain.sore.outages >= options_.outages_min) sores_.push_back(chain.sore);
  }

  const MachineTimeline& timeline_;
  const Interval window_;
  const absl::Time now_;
  const SoreOptions& options_;
  std::vector<Sore>& sores_;
  std::map<FaultClassNumber, Chain> chains_;
};

}  // namespace

absl::StatusOr<std::vector<RepeatRow>> RankRepeats(std::span<const MachineTimeline* const> machines,
                                                   const Interval& window, absl::Time now,
                                                   const RepeatOptions& options) {
  const std::vector<Interval> windows(machines.size(), window);
  return RankRepeats(machines, windows, now, options);
}

absl::StatusOr<std::vector<RepeatRow>> RankRepeats(std::span<const MachineTimeline* const> machines,
                                                   std::span<const Interval> windows, absl::Time now,
                                                   const RepeatOptions& options) {
  if (windows.size() != machines.size()) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a window for each of ", machines.size(), " machines, found ", windows.size()));
  }
  if (!(options.confidence > 0 && options.confidence < 1)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a confidence between 0 and 1, found ",
                                                   options.confidence, "; give 0.9 for 90 %"));
  }
  Rows by_key;
  for (std::size_t i = 0; i < machines.size(); ++i) {
    AddMachine(*machines[i], i, windows[i], now, options, by_key);
  }
  std::vector<RepeatRow> rows;
  rows.reserve(by_key.size());
  for (auto& [key, row] : by_key) {
    SetLimits(options.confidence, row);
    rows.push_back(row);
  }
  Rank(options.order, rows);
  return rows;
}

absl::StatusOr<std::vector<Sore>> FindSores(std::span<const MachineTimeline* const> machines,
                                            const Interval& window, absl::Time now,
                                            const SoreOptions& options) {
  if (options.gap <= absl::ZeroDuration() || options.outages_min < 1) {
    return absl::InvalidArgumentError(absl::StrCat("expected a gap above 0 and at least 1 outage, found ",
                                                   absl::FormatDuration(options.gap), " and ",
                                                   options.outages_min));
  }
  std::vector<Sore> sores;
  for (const MachineTimeline* machine : machines) Chains(*machine, window, now, options, sores).Find();
  const auto rank = [](const Sore& sore) { return std::tuple(sore.length(), sore.outages, sore.down); };
  std::sort(sores.begin(), sores.end(), [&](const Sore& a, const Sore& b) {
    if (rank(a) != rank(b)) return rank(a) > rank(b);
    return std::tuple(a.machine, a.fault_class, a.first) < std::tuple(b.machine, b.fault_class, b.first);
  });
  return sores;
}

}  // namespace bayward
