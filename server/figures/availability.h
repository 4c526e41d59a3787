// Time accounts and the availability figures over them. Durations are of required time.
// A = U/(U+D); with unknown time its bounds are U/(U+D+X) and (U+X)/(U+D+X); service availability U/(U+D+W).
// Several machines: sums of time, never means of ratios.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "absl/time/time.h"
#include "server/model/calendar.h"
#include "server/model/history.h"
#include "server/timeline/condition.h"
#include "server/timeline/outage.h"

namespace bayward {

// Where a machine's required time in a window went, and what began and ended in it. Adds up over machines and over
// windows that abut.
struct TimeAccount {
  absl::Duration required;
  absl::Duration up;  // without degraded
  absl::Duration degraded;
  absl::Duration down;
  absl::Duration down_by_origin[5];  // indexed by Origin
  absl::Duration withheld;
  absl::Duration withheld_upkeep;  // of withheld: W_m, closed for upkeep
  absl::Duration unknown_pending;
  absl::Duration unknown_lost;
  absl::Duration excluded;  // P, closures agreed inside opening hours
  absl::Duration inferred;  // of down: through observation gaps
  absl::Duration settled;   // decided by people

  int outages = 0;              // begun in the window, internal first-out, observed or not
  int failures = 0;             // n: first outage begun, observed, internal first-out
  int failures_unobserved = 0;  // n′
  int found_at_opening = 0;     // of failures
  int user_outages = 0;
  int people_outages = 0;

  int restored = 0;                   // outages restored (not censored) in the window, any origin
  absl::Duration restored_down;       // their whole required down time, also before the window

  long cycles_completed = 0;
  long cycles_aborted = 0;
  long contradictory_cycles = 0;

  bool provisional = false;

  absl::Duration observed_up() const { return up + degraded; }  // U
  absl::Duration unknown() const { return unknown_pending + unknown_lost; }  // X
  TimeAccount& operator+=(const TimeAccount& other);
};

// Everything the figures need of one machine, computed once for any number of windows. `extent` must cover the
// material and every window that will be asked about, and end at now.
struct MachineTimeline {
  MachineHistory history;
  IntervalSet required;
  IntervalSet excluded;
  std::vector<ConditionSpan> conditions;
  std::vector<Outage> outages;  // point into history

  MachineTimeline(MachineHistory history_in, const Calendar& calendar, const Interval& extent,
                  bool count_rehearsal);
  // Outages point into history.
  MachineTimeline(const MachineTimeline&) = delete;
  MachineTimeline& operator=(const MachineTimeline&) = delete;
};

TimeAccount ComputeAccount(const MachineTimeline& timeline, const Interval& window);

struct Availability {
  // Absent where its denominator is zero.
  std::optional<double> point;    // A
  std::optional<double> low;
  std::optional<double> high;
  std::optional<double> service;  // U/(U+D+W)
  std::optional<double> iec;      // U/(U+D+W_m+P)
};
Availability ComputeAvailability(const TimeAccount& account);

std::optional<absl::Duration> MeanDownTime(const TimeAccount& account);

}  // namespace bayward
