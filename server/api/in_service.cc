#include "server/api/in_service.h"

#include "server/timeline/required_time.h"

namespace bayward {

std::optional<absl::Time> CommissionedAt(const Machine& machine) {
  if (machine.calendar.in_service_from == absl::CivilDay::min()) return std::nullopt;
  return StartOfDay(machine.calendar, machine.calendar.in_service_from);
}

Interval InServiceWithin(const Machine& machine, const Interval& window) {
  Interval life{CommissionedAt(machine).value_or(absl::InfinitePast()), absl::InfiniteFuture()};
  if (machine.calendar.retired_at != absl::CivilDay::max()) {
    life.end = StartOfDay(machine.calendar, machine.calendar.retired_at);
  }
  const Interval within = Intersect(window, life);
  return within.empty() ? Interval{window.start, window.start} : within;
}

}  // namespace bayward
