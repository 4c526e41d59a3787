#include "agent/sources/retimer.h"

#include <cmath>
#include <string>

#include "fmt/format.h"

namespace bayward {

std::int64_t Retimer::Map(std::int64_t us) const {
  const std::int64_t since = us - first_us;
  if (speed == 1) return origin_us + since;
  return origin_us + std::llround(static_cast<double>(since) / speed);
}

void Retimer::Apply(v1::Event& event) const {
  const auto id = [this](std::string* cycle) {
    if (pass > 0 && !cycle->empty()) *cycle = fmt::format("{}~{}", *cycle, pass + 1);
  };
  event.set_recorded_at_us(Map(event.recorded_at_us()));
  if (event.effective_at_us() != 0) event.set_effective_at_us(Map(event.effective_at_us()));
  switch (event.what_case()) {
    case v1::Event::kObservationLost:
      if (event.observation_lost().from_us() != 0)
        event.mutable_observation_lost()->set_from_us(Map(event.observation_lost().from_us()));
      break;
    case v1::Event::kClockStepped:
      event.mutable_clock_stepped()->set_from_us(Map(event.clock_stepped().from_us()));
      event.mutable_clock_stepped()->set_to_us(Map(event.clock_stepped().to_us()));
      break;
    case v1::Event::kCycleStarted: id(event.mutable_cycle_started()->mutable_cycle()); break;
    case v1::Event::kCycleFinished: {
      v1::CycleFinished& finished = *event.mutable_cycle_finished();
      id(finished.mutable_cycle());
      if (speed != 1)
        finished.set_duration_us(std::llround(static_cast<double>(finished.duration_us()) / speed));
      break;
    }
    case v1::Event::kSnapshot:
      for (std::string& cycle : *event.mutable_snapshot()->mutable_open_cycles()) id(&cycle);
      break;
    case v1::Event::kSale: id(event.mutable_sale()->mutable_cycle()); break;
    default: break;
  }
}

}  // namespace bayward
