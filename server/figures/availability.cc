#include "server/figures/availability.h"

#include <algorithm>
#include <cstddef>
#include <iterator>

namespace bayward {
namespace {

// The first row of a sorted, disjoint list that does not end at or before `t`.
template <class Row>
auto FirstNotOver(const std::vector<Row>& rows, absl::Time t) {
  return std::lower_bound(rows.begin(), rows.end(), t,
                          [](const Row& row, absl::Time x) { return row.interval.end <= x; });
}

void AddSpan(const ConditionSpan& span, absl::Duration length, TimeAccount& account) {
  account.required += length;
  switch (span.condition) {
    case Condition::kUp:
      account.up += length;
      if (span.settled) account.settled_up += length;
      return;
    case Condition::kDegraded:
      account.degraded += length;
      return;
    case Condition::kDown:
      account.down += length;
      account.down_by_origin[span.settled ? 0 : static_cast<std::size_t>(span.down_origin)] += length;
      if (span.inferred) account.inferred += length;
      if (span.settled) account.settled_down += length;
      return;
    case Condition::kWithheld:
      account.withheld += length;
      if (span.withheld_reason == ModeReason::kUpkeep) account.withheld_upkeep += length;
      if (span.settled) account.settled_withheld += length;
      return;
    case Condition::kUnknown:
      (span.unknown == UnknownKind::kPending ? account.unknown_pending : account.unknown_lost) += length;
      return;
    case Condition::kNotRequired:
      return;
  }
}

void AddBegun(const Outage& outage, TimeAccount& account) {
  switch (outage.first_out->origin) {
    case Origin::kUser:
      ++account.user_outages;
      return;
    case Origin::kPeople:
      ++account.people_outages;
      return;
    case Origin::kExternal:
      return;
    case Origin::kInternal:
      break;
  }
  ++account.outages;
  if (outage.repeat) ++account.repeats;
  if (!outage.begins_failure) return;
  if (outage.began_unobserved) {
    ++account.failures_unobserved;
    return;
  }
  ++account.failures;
  if (outage.found_at_opening) ++account.found_at_opening;
}

void AddOutages(const std::vector<Outage>& outages, const Interval& window, TimeAccount& account) {
  // One restored at the window's very start is restored in it.
  auto outage = std::lower_bound(outages.begin(), outages.end(), window.start,
                                 [](const Outage& o, absl::Time t) { return o.interval.end < t; });
  for (; outage != outages.end() && outage->interval.start < window.end; ++outage) {
    if (window.contains(outage->interval.start)) AddBegun(*outage, account);
    if (window.contains(outage->interval.end) && !outage->restoration_censored) {
      ++account.restored;
      account.restored_down += outage->down;
    }
  }
}

void AddCycles(const MachineTimeline& timeline, const Interval& window, TimeAccount& account) {
  const auto& cycles = timeline.history.cycles;
  auto cycle = std::lower_bound(cycles.begin(), cycles.end(), window.start,
                                [](const Cycle& c, absl::Time t) { return c.finished_at < t; });
  for (; cycle != cycles.end() && cycle->finished_at < window.end; ++cycle) {
    if (cycle->outcome != CycleOutcome::kCompleted) {
      if (cycle->outcome == CycleOutcome::kAborted) ++account.cycles_aborted;
      continue;
    }
    ++account.cycles_completed;
    if (timeline.blocked.contains(cycle->finished_at)) ++account.contradictory_cycles;
  }
}

std::optional<double> Ratio(absl::Duration part, absl::Duration whole) {
  if (whole <= absl::ZeroDuration()) return std::nullopt;
  return absl::FDivDuration(part, whole);
}

}  // namespace

TimeAccount& TimeAccount::operator+=(const TimeAccount& other) {
  required += other.required;
  up += other.up;
  degraded += other.degraded;
  down += other.down;
  for (std::size_t i = 0; i < std::size(down_by_origin); ++i) down_by_origin[i] += other.down_by_origin[i];
  withheld += other.withheld;
  withheld_upkeep += other.withheld_upkeep;
  unknown_pending += other.unknown_pending;
  unknown_lost += other.unknown_lost;
  excluded += other.excluded;
  inferred += other.inferred;
  settled_up += other.settled_up;
  settled_down += other.settled_down;
  settled_withheld += other.settled_withheld;
  outages += other.outages;
  failures += other.failures;
  failures_unobserved += other.failures_unobserved;
  found_at_opening += other.found_at_opening;
  repeats += other.repeats;
  user_outages += other.user_outages;
  people_outages += other.people_outages;
  restored += other.restored;
  restored_down += other.restored_down;
  cycles_completed += other.cycles_completed;
  cycles_aborted += other.cycles_aborted;
  contradictory_cycles += other.contradictory_cycles;
  provisional = provisional || other.provisional;
  return *this;
}

void AddConditions(const std::vector<ConditionSpan>& conditions, const Interval& window, TimeAccount& account) {
  for (auto span = FirstNotOver(conditions, window.start);
       span != conditions.end() && span->interval.start < window.end; ++span) {
    AddSpan(*span, Intersect(span->interval, window).length(), account);
  }
}

TimeAccount ComputeAccount(const MachineTimeline& timeline, const Interval& window) {
  TimeAccount account;
  if (window.empty()) return account;
  AddConditions(timeline.conditions, window, account);
  const auto& excluded = timeline.excluded.intervals();
  auto closed = std::lower_bound(excluded.begin(), excluded.end(), window.start,
                                 [](const Interval& i, absl::Time t) { return i.end <= t; });
  for (; closed != excluded.end() && closed->start < window.end; ++closed) {
    account.excluded += Intersect(*closed, window).length();
  }
  AddOutages(timeline.outages, window, account);
  AddCycles(timeline, window, account);
  account.provisional = timeline.in_doubt_from < window.end;
  return account;
}

TimeAccount WithoutSettlements(const TimeAccount& account) {
  TimeAccount without = account;
  without.up -= account.settled_up;
  without.down -= account.settled_down;
  without.down_by_origin[0] = absl::ZeroDuration();
  without.withheld -= account.settled_withheld;
  without.unknown_lost += account.settled();
  without.settled_up = without.settled_down = without.settled_withheld = absl::ZeroDuration();
  return without;
}

Availability ComputeAvailability(const TimeAccount& account) {
  const absl::Duration up = account.observed_up();
  const absl::Duration down = account.down;
  const absl::Duration unknown = account.unknown();
  Availability availability;
  availability.point = Ratio(up, up + down);
  availability.low = Ratio(up, up + down + unknown);
  availability.high = Ratio(up + unknown, up + down + unknown);
  availability.service = Ratio(up, up + down + account.withheld);
  availability.iec = Ratio(up, up + down + account.withheld_upkeep + account.excluded);
  return availability;
}

MtbfBounds BoundMtbf(const TimeAccount& account) {
  const int begun = account.failures + account.failures_unobserved;
  MtbfBounds bounds;
  if (begun > 0) bounds.low = account.observed_up() / begun;
  if (account.failures > 0) bounds.high = (account.observed_up() + account.unknown()) / account.failures;
  return bounds;
}

std::optional<absl::Duration> MeanDownTime(const TimeAccount& account) {
  if (account.restored == 0) return std::nullopt;
  return account.restored_down / account.restored;
}

}  // namespace bayward
