// Where the time of one service call went, from the failure until the repair is proven, in the terms of IEC
// 60050-192. Pure: any thread may compute.
#pragma once

#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/interval.h"

namespace bayward {

// What was recorded of a call. Pieces in any order; overlaps and pieces that reach beyond the call are allowed.
struct CallRecord {
  absl::Time failed_at;                    // the first down instant; detected_at where it is not known
  absl::Time detected_at;                  // the call was opened; not before failed_at
  std::vector<absl::Time> visits_decided;  // when it was decided that somebody is to come
  std::vector<Interval> travelling;
  std::vector<Interval> working;  // somebody was at work on the machine
  std::vector<Interval> waiting_for_parts;
  std::optional<absl::Time> restored_at;  // the last blocking fault cleared; absent: not yet
  std::optional<absl::Time> proven_at;    // the first clean wash after; absent: not yet
};

// Elapsed time. The first five add up to `total` exactly.
struct CallTime {
  absl::Duration fault_detection;       // until it was detected
  absl::Duration administrative_delay;  // nobody was called for, nothing waited for
  absl::Duration logistic_delay;        // for somebody to come, on the way, or for parts
  absl::Duration active_maintenance;    // at work
  absl::Duration function_checkout;     // after the last work (or the restoration, where nobody came) until proven
  absl::Duration total;                 // from the failure until proven, or until now

  // Of them:
  absl::Duration travelling;         // of logistic delay
  absl::Duration waiting_for_parts;  // of logistic delay, while nobody travelled
  absl::Duration unproven_up;        // restored, and not proven yet
  bool proven = false;

  // With its function checkout.
  absl::Duration active_corrective_maintenance() const { return active_maintenance + function_checkout; }
};

// An instant belongs to the first that applies: before detection; at work; restored and no work follows: function
// checkout; travelling or waiting for parts; a visit was decided and no work has begun since: logistic delay; else
// administrative delay. A call that is not proven is looked at up to `now`. Errors: InvalidArgument where the
// instants are out of order: failed, detected, restored (not before failed), proven (not before restored nor
// detected), now (not before detected).
absl::StatusOr<CallTime> SplitCallTime(const CallRecord& call, absl::Time now);

}  // namespace bayward
