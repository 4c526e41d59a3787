// An instant as Prometheus wants it. Pure; any thread.
#pragma once

#include "absl/time/time.h"

namespace bayward {

// Seconds since 1970-01-01T00:00:00Z, to the microsecond. `time` is finite.
inline double UnixSeconds(absl::Time time) { return static_cast<double>(absl::ToUnixMicros(time)) / 1e6; }

}  // namespace bayward
