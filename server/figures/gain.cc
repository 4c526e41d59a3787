#include "server/figures/gain.h"

#include <algorithm>
#include <cstddef>
#include <set>

#include "absl/container/flat_hash_set.h"
#include "server/figures/outage_forecast.h"

namespace bayward {
namespace {

// The material without its cycles, which no condition needs.
MachineHistory WithoutSpells(const MachineHistory& history, const absl::flat_hash_set<const Spell*>& gone) {
  MachineHistory left;
  left.machine = history.machine;
  left.modes = history.modes;
  left.observed = history.observed;
  left.observed_until = history.observed_until;
  left.delivery_expected = history.delivery_expected;
  left.voided = history.voided;
  left.settlements = history.settlements;
  left.spells.reserve(history.spells.size());
  for (const Spell& spell : history.spells) {
    if (!gone.contains(&spell)) left.spells.push_back(spell);
  }
  return left;
}

absl::flat_hash_set<const Spell*> SpellsOf(const MachineTimeline& machine, FaultClassNumber fault_class) {
  absl::flat_hash_set<const Spell*> spells;
  for (const Spell& spell : machine.history.spells) {
    if (spell.fault_class == fault_class) spells.insert(&spell);
  }
  return spells;
}

TimeAccount AccountOf(const MachineTimeline& machine, const MachineHistory& history, const Interval& window) {
  TimeAccount account;
  AddConditions(ComputeConditions(history, machine.required, machine.count_rehearsal), window, account);
  return account;
}

TimeAccount Alone(const MachineTimeline& machine, const Interval& window, FaultClassNumber fault_class) {
  return AccountOf(machine, WithoutSpells(machine.history, SpellsOf(machine, fault_class)), window);
}

TimeAccount WithConsequences(const MachineTimeline& machine, const Interval& window, FaultClassNumber fault_class) {
  absl::flat_hash_set<const Spell*> gone = SpellsOf(machine, fault_class);
  std::vector<Interval> during;
  for (const Spell* spell : gone) during.push_back(spell->interval());
  const IntervalSet active(std::move(during));
  for (const Outage& outage : machine.outages) {
    if (!outage.order_observed || outage.first_out->fault_class != fault_class) continue;
    gone.insert(outage.consequential.begin(), outage.consequential.end());
  }
  MachineHistory left = WithoutSpells(machine.history, gone);
  std::erase_if(left.modes, [&](const ModeSpan& mode) { return active.contains(mode.from); });
  return AccountOf(machine, left, window);
}

// Classes whose spells touch the window, or an outage that does.
std::set<FaultClassNumber> Present(const MachineTimeline& machine, const Interval& window) {
  std::set<FaultClassNumber> present;
  for (const Spell& spell : machine.history.spells) {
    if (spell.raised_at < window.end && spell.cleared_at >= window.start) present.insert(spell.fault_class);
  }
  return present;
}

TimeAccount DurationsOf(const MachineTimeline& machine, const Interval& window) {
  TimeAccount account;
  AddConditions(machine.conditions, window, account);
  return account;
}

}  // namespace

std::vector<Gain> ComputeGains(std::span<const MachineTimeline* const> machines, std::span<const Interval> windows,
                               std::span<const FaultClassNumber> classes) {
  std::vector<Gain> gains(classes.size());
  for (std::size_t i = 0; i < classes.size(); ++i) gains[i].fault_class = classes[i];
  for (std::size_t m = 0; m < std::min(machines.size(), windows.size()); ++m) {
    const MachineTimeline& machine = *machines[m];
    const TimeAccount as_it_was = DurationsOf(machine, windows[m]);
    const std::set<FaultClassNumber> present = Present(machine, windows[m]);
    for (Gain& gain : gains) {
      if (present.contains(gain.fault_class)) {
        gain.alone += Alone(machine, windows[m], gain.fault_class);
        gain.with_consequences += WithConsequences(machine, windows[m], gain.fault_class);
      } else {
        gain.alone += as_it_was;
        gain.with_consequences += as_it_was;
      }
    }
  }
  return gains;
}

absl::StatusOr<std::vector<std::optional<double>>> NextPeriodFactors(std::span<const int> outages,
                                                                     absl::Duration up) {
  const double hours = absl::ToDoubleHours(up);
  std::vector<ExposedCount> classes;
  for (const int count : outages) classes.push_back({count, hours});
  std::vector<std::optional<double>> factors(outages.size());
  if (std::none_of(outages.begin(), outages.end(), [](int count) { return count > 0; })) return factors;
  const absl::StatusOr<std::vector<GammaRate>> rates = EstimateRates(classes, RateRule::kShrunk);
  if (!rates.ok()) return rates.status();
  for (std::size_t i = 0; i < outages.size(); ++i) {
    if (outages[i] == 0) continue;
    factors[i] = (*rates)[i].shape / (*rates)[i].inverse_scale * hours / outages[i];
  }
  return factors;
}

}  // namespace bayward
