#include "server/figures/call_time.h"

#include <algorithm>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

absl::Status Check(const CallRecord& call, absl::Time now) {
  const auto out_of_order = [](const char* later, absl::Time found, const char* earlier, absl::Time than) {
    return absl::InvalidArgumentError(absl::StrCat("expected the call to be ", later, " not before it was ", earlier,
                                                   ", ", absl::FormatTime(than), ", found ",
                                                   absl::FormatTime(found)));
  };
  if (call.detected_at < call.failed_at) return out_of_order("detected", call.detected_at, "failed", call.failed_at);
  if (now < call.detected_at) return out_of_order("looked at", now, "detected", call.detected_at);
  if (call.restored_at && *call.restored_at < call.failed_at) {
    return out_of_order("restored", *call.restored_at, "failed", call.failed_at);
  }
  if (!call.proven_at) return absl::OkStatus();
  if (*call.proven_at < call.detected_at)
    return out_of_order("proven", *call.proven_at, "detected", call.detected_at);
  if (!call.restored_at) return absl::InvalidArgumentError("expected a call that is proven to be restored as well");
  if (*call.proven_at < *call.restored_at)
    return out_of_order("proven", *call.proven_at, "restored", *call.restored_at);
  return absl::OkStatus();
}

class Split {
 public:
  Split(const CallRecord& call, absl::Time end)
      : call_(call),
        active_{call.detected_at, end},
        working_(IntervalSet(call.working).Intersect(active_)),
        travelling_(IntervalSet(call.travelling).Intersect(active_)),
        parts_(IntervalSet(call.waiting_for_parts).Intersect(active_)),
        called_for_(CalledFor()) {
    if (call.restored_at) checkout_from_ = *call.restored_at;
    if (!working_.empty()) checkout_from_ = std::max(checkout_from_, working_.intervals().back().end);
    if (!call.restored_at) checkout_from_ = end;
  }

  CallTime Compute() const {
    CallTime time;
    time.fault_detection = call_.detected_at - call_.failed_at;
    std::vector<absl::Time> edges = {active_.start, active_.end,
                                     std::clamp(checkout_from_, active_.start, active_.end)};
    for (const IntervalSet* set : {&working_, &travelling_, &parts_, &called_for_}) {
      for (const Interval& piece : set->intervals()) edges.insert(edges.end(), {piece.start, piece.end});
    }
    std::sort(edges.begin(), edges.end());
    for (std::size_t i = 0; i + 1 < edges.size(); ++i) Add(edges[i], edges[i + 1] - edges[i], time);
    return time;
  }

 private:
  // From each decision until the next work begins.
  IntervalSet CalledFor() const {
    std::vector<Interval> waits;
    for (const absl::Time decided : call_.visits_decided) {
      Interval wait{decided, active_.end};
      for (const Interval& piece : working_.intervals()) {
        if (piece.end <= decided) continue;
        wait.end = std::max(decided, piece.start);
        break;
      }
      waits.push_back(wait);
    }
    return IntervalSet(std::move(waits)).Intersect(active_);
  }

  // Nothing changes within the piece.
  void Add(absl::Time at, absl::Duration length, CallTime& time) const {
    if (working_.contains(at)) {
      time.active_maintenance += length;
    } else if (at >= checkout_from_) {
      time.function_checkout += length;
    } else if (travelling_.contains(at)) {
      time.logistic_delay += length;
      time.travelling += length;
    } else if (parts_.contains(at)) {
      time.logistic_delay += length;
      time.waiting_for_parts += length;
    } else if (called_for_.contains(at)) {
      time.logistic_delay += length;
    } else {
      time.administrative_delay += length;
    }
  }

  const CallRecord& call_;
  const Interval active_;  // from detection to the end
  const IntervalSet working_;
  const IntervalSet travelling_;
  const IntervalSet parts_;
  const IntervalSet called_for_;
  absl::Time checkout_from_ = absl::InfinitePast();
};

}  // namespace

absl::StatusOr<CallTime> SplitCallTime(const CallRecord& call, absl::Time now) {
  if (absl::Status checked = Check(call, now); !checked.ok()) return checked;
  const absl::Time end = call.proven_at.value_or(now);
  CallTime time = Split(call, end).Compute();
  time.total = end - call.failed_at;
  time.proven = call.proven_at.has_value();
  if (call.restored_at && *call.restored_at < end) time.unproven_up = end - *call.restored_at;
  return time;
}

}  // namespace bayward
