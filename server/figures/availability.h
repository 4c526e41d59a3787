// Time accounts and the availability figures over them. Durations are of required time. Pure: any thread may
// compute. A = U/(U+D); with unknown time its bounds are U/(U+D+X) and (U+X)/(U+D+X); service availability
// U/(U+D+W). Several machines: sums of time, never means of ratios.
#pragma once

#include <optional>
#include <vector>

#include "absl/time/time.h"
#include "server/model/calendar.h"
#include "server/model/history.h"
#include "server/timeline/condition.h"
#include "server/timeline/outage.h"

namespace bayward {

// Where a machine's required time in a window went, and what began and ended in it. Adds up over machines and
// over windows that abut.
struct TimeAccount {
  absl::Duration required;
  absl::Duration up;  // without degraded
  absl::Duration degraded;
  absl::Duration down;
  absl::Duration down_by_origin[5];  // indexed by Origin; [0]: settled as down by a person, no fault known
  absl::Duration withheld;
  absl::Duration withheld_upkeep;  // of withheld: W_m, closed for upkeep or occupied by a technician
  absl::Duration unknown_pending;
  absl::Duration unknown_lost;
  absl::Duration excluded;  // P, closures agreed inside opening hours
  absl::Duration inferred;  // of down: through observation gaps
  // Decided by people. Without their decisions these would be unknown.
  absl::Duration settled_up;
  absl::Duration settled_down;
  absl::Duration settled_withheld;

  int outages = 0;  // begun in the window, internal first-out, observed or not
  int failures = 0;  // n: first outage begun, observed, internal first-out
  int failures_unobserved = 0;  // n′
  int found_at_opening = 0;  // of failures
  int repeats = 0;  // of outages
  int user_outages = 0;
  int people_outages = 0;

  int restored = 0;  // outages restored (not censored) in the window, any origin
  absl::Duration restored_down;  // their whole required down time, also before the window

  long cycles_completed = 0;
  long cycles_aborted = 0;
  // Of completed: finished while a blocking spell, external ones included, was active.
  long contradictory_cycles = 0;

  bool provisional = false;

  absl::Duration observed_up() const { return up + degraded; }  // U
  absl::Duration unknown() const { return unknown_pending + unknown_lost; }  // X
  absl::Duration settled() const { return settled_up + settled_down + settled_withheld; }
  TimeAccount& operator+=(const TimeAccount& other);
};

// Everything the figures need of one machine, computed once for any number of windows. `extent` must cover
// the material and every window that will be asked about, and end at now. Immutable once made: any thread may
// read.
struct MachineTimeline {
  MachineHistory history;  // as used: hand-overs joined, cycles that do not count left out
  bool count_rehearsal = false;
  IntervalSet required;
  IntervalSet excluded;
  std::vector<ConditionSpan> conditions;
  std::vector<Outage> outages;  // point into history
  IntervalSet voided;
  IntervalSet blocked;  // a blocking spell, external ones included, was active
  IntervalSet blocked_external;  // an external one was
  absl::Time seen_until = absl::InfinitePast();  // up to here what is open was seen to go on
  std::vector<absl::Duration> down_before;  // per condition span: down time before it; at the end: all of it
  // From here on what was last seen open may yet turn out to have ended; InfiniteFuture: nothing is in doubt.
  absl::Time in_doubt_from = absl::InfiniteFuture();

  MachineTimeline(MachineHistory history_in, const Calendar& calendar, const Interval& extent,
                  bool count_rehearsal_in);
  // Outages point into history.
  MachineTimeline(const MachineTimeline&) = delete;
  MachineTimeline& operator=(const MachineTimeline&) = delete;

  // Down time, settled as down included, in an interval. Logarithmic.
  absl::Duration DownWithin(const Interval& interval) const;
};

// Time outside the timeline's extent does not count. Provisional while something may still be delivered that
// changes it.
TimeAccount ComputeAccount(const MachineTimeline& timeline, const Interval& window);

// Adds where the time of `window` went, without what began or ended in it.
void AddConditions(const std::vector<ConditionSpan>& conditions, const Interval& window, TimeAccount& account);

// `account` with the time that people settled unknown (lost) again: the figure without their decisions.
TimeAccount WithoutSettlements(const TimeAccount& account);

struct Availability {
  // Absent where its denominator is zero.
  std::optional<double> point;  // A
  std::optional<double> low;
  std::optional<double> high;
  std::optional<double> service;  // U/(U+D+W)
  std::optional<double> iec;  // U/(U+D+W_m+P)
};
Availability ComputeAvailability(const TimeAccount& account);

// What unknown time leaves open of the mean operating time between failures: U/(n+n′) … (U+X)/n. No confidence
// limits. Absent where the denominator is zero.
struct MtbfBounds {
  std::optional<absl::Duration> low;
  std::optional<absl::Duration> high;
};
MtbfBounds BoundMtbf(const TimeAccount& account);

// Of the outages restored in the window, on the required clock; absent where there is none.
std::optional<absl::Duration> MeanDownTime(const TimeAccount& account);

}  // namespace bayward
