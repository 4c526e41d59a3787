#include <algorithm>
#include <set>

#include "server/figures/ranking.h"
#include "tests/property/naive_model.h"

namespace bayward::naive {
namespace {

void CountMinute(const Model& model, const Minute& minute, Sums& sums) {
  if (minute.excluded) ++sums["excluded"];
  if (!minute.required) return;
  ++sums["required"];
  if (minute.settled) ++sums["settled"];
  switch (minute.condition) {
    case Condition::kUp: ++sums["up"]; break;
    case Condition::kDegraded: ++sums["degraded"]; break;
    case Condition::kDown:
      ++sums["down"];
      if (minute.inferred) ++sums["inferred"];
      if (minute.settled) ++sums["down_by_origin_0"];
      for (const NaiveOutage& outage : model.outages) {
        if (minute.outage == outage.id)
          ++sums["down_by_origin_" + std::to_string(static_cast<int>(outage.origin))];
      }
      break;
    case Condition::kWithheld:
      ++sums["withheld"];
      if (minute.withheld_reason == ModeReason::kUpkeep) ++sums["withheld_upkeep"];
      break;
    case Condition::kUnknown:
      ++sums[minute.unknown == UnknownKind::kPending ? "unknown_pending" : "unknown_lost"];
      break;
    case Condition::kNotRequired: break;
  }
}

void CountOutage(const NaiveOutage& outage, int from, int to, Sums& sums) {
  if (!outage.censored && from <= outage.end && outage.end < to) {
    ++sums["restored"];
    sums["restored_down"] += outage.down;
  }
  if (outage.start < from || outage.start >= to) return;
  if (outage.origin == Origin::kUser) ++sums["user_outages"];
  if (outage.origin == Origin::kPeople) ++sums["people_outages"];
  if (outage.origin != Origin::kInternal) return;
  ++sums["outages"];
  if (!outage.begins_failure) return;
  ++sums[outage.began_unobserved ? "failures_unobserved" : "failures"];
  if (outage.found_at_opening && !outage.began_unobserved) ++sums["found_at_opening"];
}

void CountCycle(const Reading& reading, const NaiveCycle& cycle, Sums& sums) {
  if (cycle.outcome == CycleOutcome::kAborted) ++sums["cycles_aborted"];
  if (cycle.outcome != CycleOutcome::kCompleted) return;
  ++sums["cycles_completed"];
  for (const NaiveSpell& spell : reading.spells) {
    if (!spell.Blocks() || !spell.ActiveAt(cycle.finished)) continue;
    ++sums["contradictory_cycles"];
    return;
  }
}

FaultClassNumber RowOf(const NaiveOutage& outage) {
  return outage.order_observed ? outage.fault_class : kOrderNotObserved;
}

void RankDownMinute(const Model& model, int tick, std::map<FaultClassNumber, Columns>& rows) {
  const Minute& minute = model.minutes[static_cast<std::size_t>(tick)];
  for (const NaiveOutage& outage : model.outages) {
    if (minute.outage == outage.id) ++rows[RowOf(outage)].first_out;
  }
  if (minute.settled) ++rows[kSettledAsDown].first_out;
  std::set<FaultClassNumber> present;
  std::set<FaultClassNumber> blocking;
  for (const NaiveSpell& spell : model.reading.spells) {
    if (!spell.ActiveAt(tick)) continue;
    if (spell.MakesDown()) present.insert(spell.fault.fault_class);
    if (spell.Blocks()) blocking.insert(spell.fault.fault_class);
  }
  for (const FaultClassNumber fault_class : present) ++rows[fault_class].present;
  if (blocking.size() == 1 && present == blocking) ++rows[*blocking.begin()].alone;
}

}  // namespace

Sums AccountOf(const Model& model, int from, int to) {
  Sums sums;
  const int end = std::min(to, model.grid.ticks);
  for (int tick = std::max(from, 0); tick < end; ++tick)
    CountMinute(model, model.minutes[static_cast<std::size_t>(tick)], sums);
  for (const NaiveOutage& outage : model.outages) CountOutage(outage, from, to, sums);
  for (const NaiveCycle& cycle : model.reading.cycles) {
    if (from <= cycle.finished && cycle.finished < to) CountCycle(model.reading, cycle, sums);
  }
  if (from < to && model.delivery_expected && end > model.reading.known_to) sums["provisional"] = 1;
  std::erase_if(sums, [](const auto& entry) { return entry.second == 0; });
  return sums;
}

std::map<FaultClassNumber, Columns> RankingOf(const Model& model, int from, int to) {
  std::map<FaultClassNumber, Columns> rows;
  for (int tick = std::max(from, 0); tick < std::min(to, model.grid.ticks); ++tick) {
    const Minute& minute = model.minutes[static_cast<std::size_t>(tick)];
    if (minute.required && minute.condition == Condition::kDown) RankDownMinute(model, tick, rows);
  }
  for (const NaiveOutage& outage : model.outages) {
    if (outage.start < from || outage.start >= to) continue;
    ++rows[RowOf(outage)].outages;
    if (outage.begins_failure && !outage.began_unobserved) ++rows[RowOf(outage)].failures;
  }
  return rows;
}

}  // namespace bayward::naive
