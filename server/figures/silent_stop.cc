#include "server/figures/silent_stop.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/special_functions/log1p.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

absl::Status CheckHour(const SilentSpell& spell, const SilentHour& hour) {
  if (hour.cell < 0 || static_cast<std::size_t>(hour.cell) >= spell.cells.size()) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a cell from 0 to below ", spell.cells.size(), ", found ", hour.cell));
  }
  if (!(hour.hours >= 0 && hour.hours <= 1)) {
    return absl::InvalidArgumentError(absl::StrCat("expected 0 to 1 of an hour, found ", hour.hours));
  }
  if (!(hour.day_factor >= 0 && std::isfinite(hour.day_factor))) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a day's factor of at least 0, found ", hour.day_factor));
  }
  const GammaRate& rate = spell.cells[static_cast<std::size_t>(hour.cell)];
  if (!(rate.shape > 0 && rate.inverse_scale > 0 && std::isfinite(rate.shape) &&
        std::isfinite(rate.inverse_scale))) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a rate with shape and inverse scale above 0 in cell ", hour.cell, ", found ",
                     rate.shape, " and ", rate.inverse_scale));
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<SilentStop> ComputeSilentStop(const SilentSpell& spell, double machine_hours_per_week) {
  if (!(machine_hours_per_week > 0 && std::isfinite(machine_hours_per_week))) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected machine-hours watched in a week above 0, found ", machine_hours_per_week));
  }
  if (!(spell.price >= 0 && std::isfinite(spell.price))) {
    return absl::InvalidArgumentError(absl::StrCat("expected a price of at least 0, found ", spell.price));
  }
  SilentStop stop{.machine = spell.machine};
  std::vector<double> exposure(spell.cells.size(), 0);
  for (const SilentHour& hour : spell.hours) {
    const absl::Status checked = CheckHour(spell, hour);
    if (!checked.ok()) return checked;
    exposure[static_cast<std::size_t>(hour.cell)] += hour.hours * hour.day_factor;
    stop.hours += hour.hours;
  }
  for (std::size_t cell = 0; cell < exposure.size(); ++cell) {
    if (exposure[cell] == 0) continue;
    const GammaRate& rate = spell.cells[cell];
    stop.log_probability -= rate.shape * boost::math::log1p(exposure[cell] / rate.inverse_scale, Quiet());
    stop.expected_washes += rate.shape / rate.inverse_scale * exposure[cell];
  }
  stop.probability = std::exp(stop.log_probability);
  stop.chance_per_week = stop.probability * machine_hours_per_week;
  stop.listed = stop.chance_per_week < 1;
  stop.expected_money = stop.expected_washes * spell.price;
  return stop;
}

absl::StatusOr<std::vector<SilentStop>> ListSilentStops(std::span<const SilentSpell> spells,
                                                        double machine_hours_per_week) {
  std::vector<SilentStop> listed;
  for (const SilentSpell& spell : spells) {
    const absl::StatusOr<SilentStop> stop = ComputeSilentStop(spell, machine_hours_per_week);
    if (!stop.ok()) return stop.status();
    if (stop->listed) listed.push_back(*stop);
  }
  std::sort(listed.begin(), listed.end(), [](const SilentStop& a, const SilentStop& b) {
    return a.expected_money != b.expected_money ? a.expected_money > b.expected_money : a.machine < b.machine;
  });
  return listed;
}

}  // namespace bayward
