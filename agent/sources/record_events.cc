#include "agent/sources/record_events.h"

#include <string>
#include <utility>

#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {

bool RecordEvents(MachineWatch& watch, const Instant& at, EventSink& sink) {
  for (v1::Event& event : watch.Advance(at)) {
    const absl::Status status = sink.Record(std::move(event));
    if (status.ok()) continue;
    spdlog::error("machine {}: an event could not be recorded: {}", watch.machine(), Message(status));
    sink.SourceLost(watch.machine(), at.wall, v1::LOSS_REASON_SOURCE_FAILED,
                    fmt::format("an event could not be recorded: {}", Message(status)));
    return false;
  }
  return true;
}

}  // namespace bayward
