#include "server/figures/service_met.h"

#include <algorithm>
#include <set>

#include "server/timeline/material.h"

namespace bayward {
namespace {

constexpr std::uint8_t kSoldToCustomer = 1;  // bayward.v1.SoldAs
constexpr std::uint8_t kSoldToMember = 2;

const std::vector<CapabilityNumber>& FindOrNone(const auto& table, const auto& key) {
  static const std::vector<CapabilityNumber> none;
  const auto found = table.find(key);
  return found == table.end() ? none : found->second;
}

// When degrading faults were known to remove each capability, the wash left out.
std::map<CapabilityNumber, IntervalSet> RemovedTime(const MachineTimeline& machine, const CapabilityTables& tables) {
  std::map<CapabilityNumber, std::vector<Interval>> pieces;
  const Material material = UsableMaterial(machine.history, machine.count_rehearsal);
  for (const SpellPiece& piece : material.spells) {
    if (piece.spell->effect != Effect::kDegrading) continue;
    Interval active = piece.interval;
    if (piece.open()) active.end = std::min(active.end, material.seen_until);
    for (const CapabilityNumber capability : FindOrNone(tables.removed_by, piece.spell->fault_class)) {
      if (capability != kWashCapability) pieces[capability].push_back(active);
    }
  }
  std::map<CapabilityNumber, IntervalSet> removed;
  for (auto& [capability, intervals] : pieces) removed[capability] = IntervalSet(std::move(intervals));
  return removed;
}

IntervalSet DegradedTime(const MachineTimeline& machine, const Interval& window) {
  std::vector<Interval> degraded;
  for (const ConditionSpan& span : machine.conditions) {
    if (span.condition == Condition::kDegraded) degraded.push_back(Intersect(span.interval, window));
  }
  return IntervalSet(std::move(degraded));
}

std::optional<double> ShareOf(absl::Duration part, absl::Duration whole) {
  if (whole <= absl::ZeroDuration()) return std::nullopt;
  return absl::FDivDuration(part, whole);
}

// From `at` on, so many more bays are required, of them so many can wash, of them so many are unknown.
struct Turn {
  absl::Time at;
  int required = 0;
  int able = 0;
  int unknown = 0;
};

std::vector<Turn> TurnsOf(std::span<const std::vector<ConditionSpan>* const> bays, const Interval& window) {
  std::vector<Turn> turns;
  for (const auto* conditions : bays) {
    for (const ConditionSpan& span : *conditions) {
      const Interval inside = Intersect(span.interval, window);
      if (inside.empty()) continue;
      const int able = span.condition == Condition::kUp || span.condition == Condition::kDegraded ? 1 : 0;
      const int unknown = span.condition == Condition::kUnknown ? 1 : 0;
      turns.push_back({inside.start, 1, able, unknown});
      turns.push_back({inside.end, -1, -able, -unknown});
    }
  }
  std::sort(turns.begin(), turns.end(), [](const Turn& a, const Turn& b) { return a.at < b.at; });
  return turns;
}

}  // namespace

std::optional<double> ServiceMet::FullService() const { return ShareOf(up, observed()); }

ServiceMet& ServiceMet::operator+=(const ServiceMet& other) {
  up += other.up;
  degraded += other.degraded;
  down += other.down;
  for (const auto& [capability, time] : other.capabilities) {
    capabilities[capability].observed += time.observed;
    capabilities[capability].missing += time.missing;
  }
  return *this;
}

bool Washes(const MachineTimeline& machine) { return !machine.history.cycles.empty(); }

ServiceMet ComputeServiceMet(const MachineTimeline& machine, const Interval& window, const CapabilityTables& tables) {
  TimeAccount account;
  AddConditions(machine.conditions, window, account);
  ServiceMet met{.up = account.up, .degraded = account.degraded, .down = account.down, .capabilities = {}};
  if (!Washes(machine)) return met;
  std::set<CapabilityNumber> looked_at = {kWashCapability};
  for (const Cycle& cycle : machine.history.cycles) {
    const auto& needs = FindOrNone(tables.needed_by, cycle.programme);
    looked_at.insert(needs.begin(), needs.end());
  }
  const IntervalSet degraded = DegradedTime(machine, window);
  std::map<CapabilityNumber, absl::Duration> missing;
  for (const auto& [capability, removed] : RemovedTime(machine, tables)) {
    const absl::Duration time = removed.Intersect(degraded).length();
    missing[capability] = time;
    if (time > absl::ZeroDuration()) looked_at.insert(capability);
  }
  for (const CapabilityNumber capability : looked_at) {
    met.capabilities[capability] = {met.observed(), met.down + missing[capability]};
  }
  return met;
}

std::optional<double> SiteBays::AnyBay() const { return ShareOf(any, observed); }
std::optional<double> SiteBays::AllBays() const { return ShareOf(all, observed); }

SiteBays ComputeSiteBays(std::span<const std::vector<ConditionSpan>* const> bays, const Interval& window) {
  SiteBays site{.bays = static_cast<int>(bays.size()), .observed = {}, .any = {}, .all = {}, .unknown = {}};
  Turn now;
  for (const Turn& turn : TurnsOf(bays, window)) {
    const absl::Duration length = turn.at - now.at;
    if (now.required > 0 && now.unknown > 0) site.unknown += length;
    if (now.required > 0 && now.unknown == 0) {
      site.observed += length;
      if (now.able > 0) site.any += length;
      if (now.able == now.required) site.all += length;
    }
    now = {turn.at, now.required + turn.required, now.able + turn.able, now.unknown + turn.unknown};
  }
  return site;
}

SoldWashes& SoldWashes::operator+=(const SoldWashes& other) {
  sold += other.sold;
  start_not_known += other.start_not_known;
  not_deliverable += other.not_deliverable;
  for (const auto& [need, count] : other.missing) missing[need] += count;
  return *this;
}

SoldWashes CountSoldWashes(const MachineTimeline& machine, const Interval& window, const CapabilityTables& tables) {
  SoldWashes washes;
  const std::map<CapabilityNumber, IntervalSet> removed = RemovedTime(machine, tables);
  for (const Cycle& cycle : machine.history.cycles) {
    if (cycle.sold_as != kSoldToCustomer && cycle.sold_as != kSoldToMember) continue;
    if (cycle.started_at == absl::InfinitePast()) {
      if (window.contains(cycle.finished_at)) ++washes.start_not_known;
      continue;
    }
    if (!window.contains(cycle.started_at)) continue;
    ++washes.sold;
    bool all_there = true;
    for (const CapabilityNumber need : FindOrNone(tables.needed_by, cycle.programme)) {
      const auto gone = removed.find(need);
      if (gone == removed.end() || !gone->second.contains(cycle.started_at)) continue;
      ++washes.missing[{cycle.programme, need}];
      all_there = false;
    }
    if (!all_there) ++washes.not_deliverable;
  }
  return washes;
}

}  // namespace bayward
