// The part of a window in which a machine is in service. Pure: any thread may call.
#pragma once

#include <optional>

#include "absl/time/time.h"
#include "server/model/fleet.h"
#include "server/model/interval.h"

namespace bayward {

// When it went into service; absent where that was not declared.
std::optional<absl::Time> CommissionedAt(const Machine& machine);

// `window` from then on and until it is retired; empty where it is not in service in it.
Interval InServiceWithin(const Machine& machine, const Interval& window);

}  // namespace bayward
