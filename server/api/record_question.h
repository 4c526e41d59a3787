// What every record starts from: the fleet, one machine, now, and the machine's timeline. Private to the record
// handlers; any thread may call.
#pragma once

#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/api/record_handlers.h"
#include "server/figures/availability.h"
#include "server/model/fleet.h"

namespace bayward {

struct RecordQuestion {
  std::shared_ptr<const Fleet> fleet;
  const Machine* machine = nullptr;
  absl::Time now;
};

// NotFound names the nearest machine there is.
absl::StatusOr<RecordQuestion> AskRecord(const RecordSources& sources, const std::string& machine);

// From `from`, or the machine's first event if that is earlier, to now.
absl::StatusOr<std::unique_ptr<MachineTimeline>> ReadTimeline(const RecordSources& sources,
                                                              const RecordQuestion& question, absl::Time from);

// Raw events of the machine with their effect in [start, end).
EventQuery EventsOf(const RecordQuestion& question, const Interval& effective);

// `name` is the request's field, for messages. An instant in RFC 3339, at most now.
absl::StatusOr<absl::Time> PastInstant(std::string_view name, std::string_view text, absl::Time now);
// The same of both; InvalidArgument where `to` is not after `from`.
absl::StatusOr<Interval> PastStretch(std::string_view from, std::string_view to, absl::Time now);
// 1 to 200 bytes without control characters.
absl::Status CheckText(std::string_view name, std::string_view text);

// What a reader of raw events must know beside them.
std::vector<std::string> EventNotes(const FoundEvents& found);

}  // namespace bayward
