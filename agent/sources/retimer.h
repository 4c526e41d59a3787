// Moves a scenario's times to where and how fast it is played, and tells its repetitions apart. Pure;
// thread-compatible.
#pragma once

#include <cstdint>

#include "bayward/v1/event.pb.h"

namespace bayward {

struct Retimer {
  std::int64_t first_us = 0;   // when the scenario's first event was written to be recorded
  std::int64_t origin_us = 0;  // when that event plays
  double speed = 1;
  std::uint64_t pass = 0;  // how many times the scenario has been played before

  std::int64_t Map(std::int64_t us) const;

  // All instants and durations of the event. In a repetition cycles get another id: "c1" becomes "c1~2".
  void Apply(v1::Event& event) const;
};

}  // namespace bayward
