// What one raw signal or code means: the part of a code book's fault entry that is the same for every kind of
// source. A value type.
#pragma once

#include <cstdint>
#include <string>

#include "absl/time/time.h"
#include "bayward/v1/fault_class.pb.h"

namespace bayward {

struct FaultMapping {
  v1::FaultClass fault_class = v1::FAULT_CLASS_UNCLASSIFIED_FAULT;
  v1::Effect effect = v1::EFFECT_UNSPECIFIED;  // unspecified: the class's default
  v1::Origin origin = v1::ORIGIN_UNSPECIFIED;  // unspecified: the class's default
  std::uint32_t priority = 0;                  // 1 first; 0: none declared
  std::string raw_code;
  std::string raw_text;
  absl::Duration on_delay = absl::ZeroDuration();
  absl::Duration off_delay = absl::ZeroDuration();
};

}  // namespace bayward
