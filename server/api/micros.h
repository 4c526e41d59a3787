// Instants as the interface has them. Pure: any thread may call.
#pragma once

#include <cstdint>

#include "absl/time/time.h"

namespace bayward {

// Microseconds since 1970; 0 for an infinite time, which stands for never, not yet or not known.
inline std::int64_t MicrosOrZero(absl::Time time) {
  return time == absl::InfinitePast() || time == absl::InfiniteFuture() ? 0 : absl::ToUnixMicros(time);
}

}  // namespace bayward
