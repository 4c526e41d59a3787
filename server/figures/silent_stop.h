// Machines that look ready and sell nothing: how likely no wash at all is in the hours since the last one,
// when it is worth a person's attention, and the money since. Pure: any thread may compute.
#pragma once

#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/model/ids.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {

// Part of an hour without a wash in which the machine was up, observed and required.
struct SilentHour {
  int cell = 0;  // of demand, as hour of the week: index of `SilentSpell::cells`
  double hours = 0;  // 0 … 1
  double day_factor = 1;  // how busy the region's other sites were that day; >= 0, finite
};

// One machine since its last wash start.
struct SilentSpell {
  MachineId machine;
  std::span<const GammaRate> cells;  // wash starts per hour: shape α and inverse scale β, both > 0, finite
  std::span<const SilentHour> hours;
  double price = 0;  // of a wash, in any one currency; >= 0, finite
};

struct SilentStop {
  MachineId machine;
  double log_probability = 0;  // natural logarithm of P0, which itself may be too small for a number
  double probability = 1;  // P0
  // P0 · machine-hours watched in a week: how many such silences chance alone brings the whole fleet in a
  // week.
  double chance_per_week = 0;
  bool listed = false;  // chance_per_week < 1
  double hours = 0;  // silent
  double expected_washes = 0;  // Σ α/β · e·d
  double expected_money = 0;  // times the price
};

// P0 = Π (β_h/(β_h + x_h))^α_h, the probability of no start of a Poisson process whose rate is gamma
// distributed, x_h = Σ e·d over the hours of cell h: a silence of several weeks meets a cell again with the
// same unknown rate, so its hours are added before, not multiplied after. What moves one site's days beyond
// the region's factor is not in it; where that is strong, more than one a week is listed by chance.
// `machine_hours_per_week` > 0, finite: of the whole fleet, up, observed and required. Errors:
// InvalidArgument outside the ranges above.
absl::StatusOr<SilentStop> ComputeSilentStop(const SilentSpell& spell, double machine_hours_per_week);

// The listed ones, most money first, then by machine. Errors: of the first spell that has one.
absl::StatusOr<std::vector<SilentStop>> ListSilentStops(std::span<const SilentSpell> spells,
                                                        double machine_hours_per_week);

}  // namespace bayward
