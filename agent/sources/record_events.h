// How sources record what a machine did, and what they do where that fails. Thread-safe as the sink is.
#pragma once

#include <vector>

#include "agent/conditioner/machine_watch.h"
#include "agent/recorder/event_sink.h"

namespace bayward {

// Records the machine's events that are certain by `at`. False where the sink would not take one: the machine
// is then reported lost from `at` on, and observation is to begin anew, so that its next snapshot makes good
// what is missing.
bool RecordEvents(MachineWatch& watch, const Instant& at, EventSink& sink);

}  // namespace bayward
