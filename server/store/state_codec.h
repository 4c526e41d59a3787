// MachineState to and from the bytes kept in machine_state.state. Pure.
#pragma once

#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "server/timeline/fold.h"

namespace bayward {

std::string EncodeState(const MachineState& state);

// Internal where the bytes are not a state this program wrote.
absl::StatusOr<MachineState> DecodeState(std::string_view bytes);

}  // namespace bayward
