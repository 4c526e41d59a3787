// Failures and exposure of machines by civil week, the same week of all sites together, as the dispersion of failures
// takes them. One object, one thread.
#pragma once

#include <map>
#include <vector>

#include "absl/time/civil_time.h"
#include "server/figures/availability.h"
#include "server/statistics/dispersion.h"

namespace bayward {

class WeeklyCounts {
 public:
  // Of one machine in the part of the window that lies in the week which begins on that Monday at its site.
  void Add(absl::CivilDay monday, const TimeAccount& machine);

  // Failures (as n counts them) and up hours, degraded included, in order of time.
  std::vector<ExposedCount> InOrder() const;
  bool has_exposure() const;

 private:
  std::map<absl::CivilDay, ExposedCount> weeks_;
};

}  // namespace bayward
