#include "server/api/target_budget.h"

#include <algorithm>

#include "server/timeline/required_time.h"

namespace bayward {
namespace {

// Required time of `span`: laid out already as far as the timeline goes.
absl::Duration Planned(const Calendar& calendar, const MachineTimeline& timeline, const Interval& extent,
                       const Interval& span) {
  const Interval known = Intersect(span, extent);
  if (known.empty()) return RequiredTime(calendar, span).length();
  absl::Duration planned;
  const auto& required = timeline.required.intervals();
  auto open = std::lower_bound(required.begin(), required.end(), known.start,
                               [](const Interval& i, absl::Time t) { return i.end <= t; });
  for (; open != required.end() && open->start < known.end; ++open) planned += Intersect(*open, known).length();
  for (const Interval& rest : {Interval{span.start, known.start}, Interval{known.end, span.end}}) {
    if (!rest.empty()) planned += RequiredTime(calendar, rest).length();
  }
  return planned;
}

}  // namespace

TargetAccount& TargetAccount::operator+=(const TargetAccount& other) {
  planned += other.planned;
  allowed += other.allowed;
  down += other.down;
  unknown += other.unknown;
  return *this;
}

TargetAccount AccountAgainstTargets(const Site& site, const Machine& machine, const MachineTimeline& timeline,
                                    const Interval& extent, const Interval& whole, absl::Time now) {
  TargetAccount account;
  for (std::size_t i = 0; i < site.targets.size(); ++i) {
    const TargetSpan& target = site.targets[i];
    Interval holds{StartOfDay(site.calendar, target.valid_from), absl::InfiniteFuture()};
    if (i + 1 < site.targets.size()) holds.end = StartOfDay(site.calendar, site.targets[i + 1].valid_from);
    const Interval span = Intersect(holds, whole);
    if (span.empty()) continue;
    const absl::Duration planned = Planned(machine.calendar, timeline, extent, span);
    account.planned += planned;
    account.allowed += planned * (1 - target.availability);
    TimeAccount so_far;
    AddConditions(timeline.conditions, Intersect(span, {absl::InfinitePast(), now}), so_far);
    account.down += so_far.down;
    account.unknown += so_far.unknown();
  }
  return account;
}

void SetTarget(const TargetAccount& account, v1::AvailabilityRow& row) {
  if (account.planned <= absl::ZeroDuration()) return;
  row.set_target(1 - absl::FDivDuration(account.allowed, account.planned));
  row.set_budget_seconds(absl::ToDoubleSeconds(account.allowed));
  row.set_budget_left_low_seconds(absl::ToDoubleSeconds(account.allowed - account.down - account.unknown));
  row.set_budget_left_high_seconds(absl::ToDoubleSeconds(account.allowed - account.down));
}

}  // namespace bayward
