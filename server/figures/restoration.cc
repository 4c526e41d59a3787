#include "server/figures/restoration.h"

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "server/figures/ranking.h"

namespace bayward {
namespace {

enum class Fate : std::uint8_t { kRestored, kOpen, kLostSight, kClosed, kRetired };

struct Followed {
  Interval interval;  // from its first down instant to its restoration or to where it was followed
  Fate fate = Fate::kRestored;
  absl::Time watched_until;  // to where it would have been followed had it lasted
};

bool Asked(const Outage& outage, const RestorationOptions& options) {
  if (options.origin.has_value() && outage.first_out->origin != *options.origin) return false;
  if (!options.first_out.has_value()) return true;
  return *options.first_out == (outage.order_observed ? outage.first_out->fault_class : kOrderNotObserved);
}

Followed Follow(const MachineTimeline& timeline, const Outage& outage, absl::Time now,
                absl::Time retired_at) {
  const absl::Time start = outage.interval.start;
  absl::Time until = std::min(now, timeline.seen_until);
  Fate fate = Fate::kOpen;
  const auto& excluded = timeline.excluded.intervals();
  const auto closure = std::lower_bound(excluded.begin(), excluded.end(), start,
                                        [](const Interval& i, absl::Time t) { return i.start < t; });
  if (closure != excluded.end() && closure->start < until) {
    until = closure->start;
    fate = Fate::kClosed;
  }
  if (retired_at < until) {
    until = retired_at;
    fate = Fate::kRetired;
  }
  until = std::max(until, start);
  if (outage.interval.end > until) return {{start, until}, fate, until};
  return {outage.interval, outage.restoration_censored ? Fate::kLostSight : Fate::kRestored, until};
}

void Count(Fate fate, Restoration& restoration) {
  switch (fate) {
    case Fate::kRestored:
      ++restoration.restored;
      return;
    case Fate::kOpen:
      ++restoration.open;
      return;
    case Fate::kLostSight:
      ++restoration.lost_sight;
      return;
    case Fate::kClosed:
      ++restoration.closed;
      return;
    case Fate::kRetired:
      ++restoration.retired;
      return;
  }
}

// The part of `set` within an interval. Logarithmic, and then in proportion to that part.
absl::Duration LengthWithin(const IntervalSet& set, const Interval& interval) {
  const auto& all = set.intervals();
  auto one = std::lower_bound(all.begin(), all.end(), interval.start,
                              [](const Interval& i, absl::Time t) { return i.end <= t; });
  absl::Duration length;
  for (; one != all.end() && one->start < interval.end; ++one) length += Intersect(*one, interval).length();
  return length;
}

// The outages of a curve on one clock.
struct Cases {
  std::vector<SurvivalCase> cases;
  double watched = 0;  // the longest that one of them would have been followed

  void Add(double hours, double watched_hours, Fate fate, std::size_t machine) {
    cases.push_back({.exit = hours, .event = fate == Fate::kRestored, .cluster = static_cast<int>(machine)});
    watched = std::max(watched, watched_hours);
  }
};

absl::StatusOr<RestorationClock> MakeClock(const Cases& of_clock, const RestorationOptions& options) {
  const std::vector<SurvivalCase>& cases = of_clock.cases;
  const SurvivalOptions how{SurvivalVariance::kLarger, SurvivalLimits::kLogLog, options.confidence};
  RestorationClock clock;
  absl::StatusOr<SurvivalCurve> curve = EstimateSurvival(cases, how);
  if (!curve.ok()) return curve.status();
  clock.curve = *std::move(curve);
  clock.median = FindPercentile(clock.curve, 0.5);
  clock.within_90 = FindPercentile(clock.curve, 0.9);
  // No further than any could have been followed, also where the longest happens to be restored.
  const double asked = absl::ToDoubleHours(options.horizon);
  const double horizon = of_clock.watched > 0 ? std::min(asked, of_clock.watched) : asked;
  absl::StatusOr<RestrictedMean> mean = EstimateRestrictedMean(cases, horizon, how);
  if (!mean.ok()) return mean.status();
  clock.mean = *std::move(mean);
  double sum = 0;
  int restored = 0;
  for (const SurvivalCase& one : cases) {
    if (!one.event) continue;
    sum += one.exit;
    ++restored;
  }
  if (restored > 0) clock.mean_of_restored = sum / restored;
  return clock;
}

absl::Status Check(std::size_t machines, std::size_t windows, const RestorationOptions& options) {
  if (windows != machines) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a window for each of ", machines, " machines, found ", windows));
  }
  if (!options.retired_at.empty() && options.retired_at.size() != machines) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected when each of ", machines, " machines was retired, found ", options.retired_at.size()));
  }
  if (options.horizon <= absl::ZeroDuration() || options.horizon == absl::InfiniteDuration()) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a finite horizon above 0, found ", absl::FormatDuration(options.horizon)));
  }
  if (options.covered.size() > 1 && options.covered.size() != machines) {
    return absl::InvalidArgumentError(absl::StrCat("expected covered hours for all or for each of ", machines,
                                                   " machines, found ", options.covered.size()));
  }
  return absl::OkStatus();
}

class Computation {
 public:
  Computation(absl::Time now, const RestorationOptions& options) : now_(now), options_(options) {}

  void Add(const MachineTimeline& timeline, const Interval& asked, std::size_t index) {
    const Interval window{asked.start, std::min(asked.end, now_)};
    const std::size_t in_curve = elapsed_.cases.size();
    const auto& outages = timeline.outages;
    // One restored at the window's very start is restored in it.
    auto outage = std::lower_bound(outages.begin(), outages.end(), window.start,
                                   [](const Outage& o, absl::Time t) { return o.interval.end < t; });
    for (; outage != outages.end() && outage->interval.start < window.end; ++outage) {
      if (!Asked(*outage, options_)) continue;
      if (window.contains(outage->interval.start)) AddBegun(timeline, *outage, index);
      if (window.contains(outage->interval.end) && !outage->restoration_censored) {
        ++restoration_.restored_in_window;
        restored_down_ += outage->down;
      }
    }
    if (elapsed_.cases.size() > in_curve) ++restoration_.machines;
  }

  absl::StatusOr<Restoration> Finish() && {
    absl::StatusOr<RestorationClock> clock = MakeClock(elapsed_, options_);
    if (!clock.ok()) return clock.status();
    restoration_.elapsed = *std::move(clock);
    if (!options_.covered.empty()) {
      clock = MakeClock(covered_, options_);
      if (!clock.ok()) return clock.status();
      restoration_.covered = *std::move(clock);
    }
    if (restoration_.restored_in_window > 0) {
      restoration_.mean_down_time = restored_down_ / restoration_.restored_in_window;
    }
    return std::move(restoration_);
  }

 private:
  void AddBegun(const MachineTimeline& timeline, const Outage& outage, std::size_t index) {
    ++restoration_.begun;
    if (outage.began_unobserved) {
      ++restoration_.beginning_not_seen;
      return;
    }
    const absl::Time retired_at =
        options_.retired_at.empty() ? absl::InfiniteFuture() : options_.retired_at[index];
    const Followed followed = Follow(timeline, outage, now_, retired_at);
    Count(followed.fate, restoration_);
    const Interval watched{outage.interval.start, followed.watched_until};
    elapsed_.Add(absl::ToDoubleHours(followed.interval.length()), absl::ToDoubleHours(watched.length()),
                 followed.fate, index);
    if (options_.covered.empty()) return;
    const IntervalSet& covered =
        options_.covered.size() == 1 ? options_.covered.front() : options_.covered[index];
    covered_.Add(absl::ToDoubleHours(LengthWithin(covered, followed.interval)),
                 absl::ToDoubleHours(LengthWithin(covered, watched)), followed.fate, index);
  }

  const absl::Time now_;
  const RestorationOptions& options_;
  Restoration restoration_;
  Cases elapsed_;
  Cases covered_;
  absl::Duration restored_down_;
};

}  // namespace

absl::StatusOr<Restoration> ComputeRestoration(std::span<const MachineTimeline* const> machines,
                                               const Interval& window, absl::Time now,
                                               const RestorationOptions& options) {
  const std::vector<Interval> windows(machines.size(), window);
  return ComputeRestoration(machines, windows, now, options);
}

absl::StatusOr<Restoration> ComputeRestoration(std::span<const MachineTimeline* const> machines,
                                               std::span<const Interval> windows, absl::Time now,
                                               const RestorationOptions& options) {
  if (absl::Status checked = Check(machines.size(), windows.size(), options); !checked.ok()) return checked;
  Computation computation(now, options);
  for (std::size_t i = 0; i < machines.size(); ++i) computation.Add(*machines[i], windows[i], i);
  return std::move(computation).Finish();
}

}  // namespace bayward
