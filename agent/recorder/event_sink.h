// What sources hand their facts to. Implemented by the recorder, which dates, numbers and keeps them.
// Thread-safe: every source calls it from threads of its own.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

class EventSink {
 public:
  virtual ~EventSink() = default;

  // Keeps an event with `machine` and what happened, and effective_at_us where the signal changed before now.
  // The sink sets the other times, except for an event of a rehearsal, which brings them all.
  virtual absl::Status Record(v1::Event event) = 0;

  // Keeps all of them, in their order, and `mark` as how far `source` has got, in one transaction: after a
  // crash either both are there or neither. An error has kept nothing; try again.
  virtual absl::Status RecordAll(const std::vector<v1::Event>& events, std::string_view source,
                                 std::string_view mark) = 0;
  // The mark of the source's last RecordAll that was kept, by this process or an earlier one; "" where there
  // is none.
  virtual absl::StatusOr<std::string> LastMark(std::string_view source) = 0;

  // The machine's source reads well from now on, and this is what holds: after a start, and after a loss.
  virtual void SourceGood(std::string_view machine, const v1::Snapshot& now) = 0;
  // Nobody has observed the machine from `from` on.
  virtual void SourceLost(std::string_view machine, absl::Time from, v1::LossReason reason,
                          std::string_view detail) = 0;

  // A rehearsal has played up to `until`.
  virtual void Alive(absl::Time until) = 0;
};

}  // namespace bayward
