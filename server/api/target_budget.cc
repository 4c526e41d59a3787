#include "server/api/target_budget.h"

#include "server/timeline/required_time.h"

namespace bayward {

TargetAccount& TargetAccount::operator+=(const TargetAccount& other) {
  planned += other.planned;
  allowed += other.allowed;
  down += other.down;
  unknown += other.unknown;
  return *this;
}

TargetAccount AccountAgainstTargets(const Site& site, const Machine& machine, const MachineTimeline& timeline,
                                    const Interval& whole) {
  TargetAccount account;
  for (std::size_t i = 0; i < site.targets.size(); ++i) {
    const TargetSpan& target = site.targets[i];
    Interval holds{StartOfDay(site.calendar, target.valid_from), absl::InfiniteFuture()};
    if (i + 1 < site.targets.size()) holds.end = StartOfDay(site.calendar, site.targets[i + 1].valid_from);
    const Interval span = Intersect(holds, whole);
    if (span.empty()) continue;
    const absl::Duration planned = RequiredTime(machine.calendar, span).length();
    account.planned += planned;
    account.allowed += planned * (1 - target.availability);
    TimeAccount so_far;
    AddConditions(timeline.conditions, span, so_far);
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
