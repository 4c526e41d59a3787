// Cycles to runs of cycles, and runs to and from the bytes kept in cycle_runs.runs and machine_state.cycle_runs. Pure.
//
//   bytes: version 1 | run …
//   run: varint count·16 + outcome·4 + rehearsal·2 + start_known | zigzag varint seconds from the last second of the run
//        before (of 1970 for the first) to its first | varint seconds from its first to its last
//        | of one aborted: varint microseconds
//        | where the start is known: varint shortest minutes, varint minutes from shortest to longest
#pragma once

#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/status.h"
#include "server/model/cycle_run.h"

namespace bayward {

// Adds one that finished after those before it were recorded. It goes to the last run where it is like it and `go_on`:
// nothing else happened to the machine since that one. One aborted is a run of its own.
void AddCycle(const Cycle& cycle, bool go_on, std::vector<CycleRun>& runs);

std::string EncodeRuns(std::span<const CycleRun> runs);
// Appends. Internal where the bytes are not runs this program wrote.
absl::Status DecodeRuns(std::string_view bytes, std::vector<CycleRun>& runs);

}  // namespace bayward
