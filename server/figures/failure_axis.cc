#include "server/figures/failure_axis.h"

#include <algorithm>
#include <array>
#include <cstddef>

#include "absl/strings/str_format.h"
#include "server/figures/wash_clock.h"

namespace bayward {
namespace {

constexpr std::int64_t kWeekHours = 7 * 24;
constexpr absl::Duration kQuietBeforeFirstWash = absl::Hours(24);

bool IsUp(const ConditionSpan& span) {
  return span.condition == Condition::kUp || span.condition == Condition::kDegraded;
}

bool IsUnseen(const ConditionSpan& span) { return span.condition == Condition::kUnknown || span.settled; }

// From here on the machine's washes are on record.
absl::Time WashesFrom(const MachineTimeline& timeline) {
  absl::Time first = absl::InfiniteFuture();
  for (const Cycle& cycle : timeline.history.cycles) first = std::min(first, StartOfWash(cycle));
  return first - kQuietBeforeFirstWash;
}

// Calls `visit` with the hour of the week and the hours of each part of an interval.
template <class Visit>
void ByHourOfWeek(const Interval& interval, const Visit& visit) {
  for (absl::Time at = interval.start; at < interval.end;) {
    const std::int64_t hour = absl::ToUnixSeconds(at) / 3600;
    const absl::Time next = std::min(interval.end, absl::FromUnixSeconds((hour + 1) * 3600));
    visit(static_cast<std::size_t>(hour % kWeekHours), absl::ToDoubleHours(next - at));
    at = next;
  }
}

// What a machine did where it was seen: how much of its time it was up, and its washes by the hour of the week.
class Pace {
 public:
  Pace(const MachineTimeline& timeline, const Interval& window, FailureAxis axis) {
    absl::Duration up;
    absl::Duration seen;
    for (const ConditionSpan& span : timeline.conditions) {
      const Interval part = Intersect(span.interval, window);
      if (part.empty() || IsUnseen(span)) continue;
      seen += part.length();
      if (IsUp(span)) up += part.length();
    }
    if (seen > absl::ZeroDuration()) up_share_ = absl::FDivDuration(up, seen);
    if (axis == FailureAxis::kWashStarts) AddWashes(timeline, window);
  }

  double up_share() const { return up_share_; }

  // Washes that a machine which is up all the time begins in an interval.
  double Washes(const Interval& interval) const {
    double washes = 0;
    ByHourOfWeek(interval, [&](std::size_t cell, double hours) {
      washes += hours * (hours_[cell] > 0 ? starts_[cell] / hours_[cell] : overall_);
    });
    return washes;
  }

 private:
  void AddWashes(const MachineTimeline& timeline, const Interval& window) {
    const Interval counted{std::max(window.start, WashesFrom(timeline)), window.end};
    double all_hours = 0;
    for (const ConditionSpan& span : timeline.conditions) {
      if (!IsUp(span) || IsUnseen(span)) continue;
      ByHourOfWeek(Intersect(span.interval, counted), [&](std::size_t cell, double hours) {
        hours_[cell] += hours;
        all_hours += hours;
      });
    }
    double all_starts = 0;
    for (const Cycle& cycle : timeline.history.cycles) {
      const absl::Time start = StartOfWash(cycle);
      if (!counted.contains(start)) continue;
      starts_[static_cast<std::size_t>(absl::ToUnixSeconds(start) / 3600 % kWeekHours)] += 1;
      all_starts += 1;
    }
    if (all_hours > 0) overall_ = all_starts / all_hours;
  }

  double up_share_ = 0;
  std::array<double, kWeekHours> hours_{};
  std::array<double, kWeekHours> starts_{};
  double overall_ = 0;
};

}  // namespace

std::string_view AxisUnit(FailureAxis axis) { return axis == FailureAxis::kUpHours ? "up hours" : "wash starts"; }

std::vector<UnseenStretch> FindUnseen(const MachineTimeline& timeline, const Interval& window, FailureAxis axis) {
  const Pace pace(timeline, window, axis);
  const absl::Time washes_from = axis == FailureAxis::kWashStarts ? WashesFrom(timeline) : absl::InfinitePast();
  std::vector<UnseenStretch> unseen;
  for (const ConditionSpan& span : timeline.conditions) {
    Interval part = Intersect(span.interval, window);
    // Where washes are not on record yet, nothing else of the span is looked at.
    if (!IsUnseen(span)) part.end = std::min(part.end, washes_from);
    if (part.empty()) continue;
    const double share = span.condition == Condition::kUnknown ? pace.up_share() : IsUp(span) ? 1 : 0;
    double exposure = 0;
    if (axis == FailureAxis::kWashStarts) {
      exposure = share * pace.Washes(part);
    } else if (span.condition == Condition::kUnknown) {
      exposure = share * absl::ToDoubleHours(part.length());
    }
    unseen.push_back({part, exposure});
  }
  return unseen;
}

WashesSeen& WashesSeen::operator+=(const WashesSeen& other) {
  starts += other.starts;
  missed += other.missed;
  unreported += other.unreported;
  return *this;
}

std::optional<double> WashesSeen::share() const {
  if (unreported > 0) return 0;
  if (starts + missed <= 0) return std::nullopt;
  return starts / (starts + missed);
}

WashesSeen CountWashesSeen(const MachineTimeline& timeline, const Interval& window) {
  WashesSeen seen;
  const auto& cycles = timeline.history.cycles;
  const bool reported =
      std::any_of(cycles.begin(), cycles.end(), [&](const Cycle& cycle) { return StartOfWash(cycle) < window.end; });
  if (!reported) {
    seen.unreported = std::any_of(
        timeline.conditions.begin(), timeline.conditions.end(),
        [&](const ConditionSpan& span) { return IsUp(span) && !IsUnseen(span) && span.interval.overlaps(window); });
    return seen;
  }
  seen.starts = WashClock(timeline, window).starts();
  for (const UnseenStretch& stretch : FindUnseen(timeline, window, FailureAxis::kWashStarts)) {
    seen.missed += stretch.exposure;
  }
  return seen;
}

FailureAxis ChooseAxis(const WashesSeen& seen) {
  return seen.share().value_or(0) >= kWashesSeenMin ? FailureAxis::kWashStarts : FailureAxis::kUpHours;
}

std::string AxisReason(const WashesSeen& seen) {
  if (seen.unreported > 0) {
    return absl::StrFormat("%d of the machines were up without any wash on record", seen.unreported);
  }
  const std::optional<double> share = seen.share();
  if (!share) return "no wash is on record in the window";
  const char* judged = *share >= kWashesSeenMin ? "at least" : "less than the";
  return absl::StrFormat("%.1f %% of the washes were seen, %s %.0f %% needed", 100 * *share, judged,
                         100 * kWashesSeenMin);
}

}  // namespace bayward
