#include "server/timeline/outage.h"

#include <algorithm>
#include <map>

#include "server/timeline/material.h"
#include "server/timeline/sweep.h"

namespace bayward {
namespace {

// Whether several faults of the run's start were first seen at once, so that nobody knows which came first.
bool OrderObserved(const BlockingRun& run) {
  if (!run.members.front()->began_unobserved()) return true;
  const auto at_once = std::count_if(run.members.begin(), run.members.end(), [&](const SpellPiece* piece) {
    return piece->interval.start == run.interval.start && piece->began_unobserved();
  });
  return at_once < 2;
}

Outage MakeOutage(const BlockingRun& run, const IntervalSet& required) {
  const SpellPiece& first = *run.members.front();
  Outage outage;
  outage.interval.end = run.interval.end;
  outage.raised_at = first.interval.start;
  outage.first_out = first.spell;
  outage.consequential.reserve(run.members.size() - 1);
  for (std::size_t i = 1; i < run.members.size(); ++i) outage.consequential.push_back(run.members[i]->spell);
  outage.began_unobserved = first.began_unobserved();
  outage.restoration_censored = !run.end_seen;
  outage.found_at_opening = !required.contains(outage.raised_at);
  outage.order_observed = OrderObserved(run);
  return outage;
}

// When cycles were completed that show a machine working, ascending: none was active that blocks.
std::vector<absl::Time> Completions(const MachineHistory& history, bool count_rehearsal,
                                    const IntervalSet& blocked) {
  std::vector<absl::Time> completions;
  for (const Cycle& cycle : UsableCycles(history, count_rehearsal)) {
    if (cycle.outcome != CycleOutcome::kCompleted || blocked.contains(cycle.finished_at)) continue;
    completions.push_back(cycle.finished_at);
  }
  return completions;
}

// Failures and repeats, by the latest earlier outage with the same first-out class.
void MarkRecurrences(const std::vector<absl::Time>& completions, std::vector<Outage>& outages) {
  std::map<FaultClassNumber, const Outage*> latest;
  for (Outage& outage : outages) {
    const Outage*& before = latest[outage.first_out->fault_class];
    if (before != nullptr) {
      const absl::Time restored_at = before->interval.end;
      const auto washed = std::lower_bound(completions.begin(), completions.end(), restored_at);
      outage.begins_failure = washed != completions.end() && *washed < outage.raised_at;
      outage.repeat = !before->restoration_censored && outage.interval.start - restored_at < kRepeatWithin;
    }
    before = &outage;
  }
}

}  // namespace

std::vector<Outage> ComputeOutages(const MachineHistory& history, const IntervalSet& required,
                                   const std::vector<ConditionSpan>& conditions, bool count_rehearsal) {
  const Material material = UsableMaterial(history, count_rehearsal);
  const Sweep sweep = SweepMaterial(material, history.observed_until, history.delivery_expected);
  std::vector<Outage> outages;
  auto span = conditions.begin();
  for (const BlockingRun& run : sweep.runs) {
    absl::Duration down;
    absl::Time first_down;
    for (; span != conditions.end() && span->interval.start < run.interval.end; ++span) {
      if (span->condition != Condition::kDown || span->settled || span->interval.end <= run.interval.start)
        continue;
      if (down == absl::ZeroDuration()) first_down = span->interval.start;
      down += span->interval.length();
    }
    if (down == absl::ZeroDuration()) continue;
    outages.push_back(MakeOutage(run, required));
    outages.back().interval.start = first_down;
    outages.back().down = down;
  }
  MarkRecurrences(Completions(history, count_rehearsal, BlockedTime(material, Blocking::kAny)), outages);
  return outages;
}

std::vector<Cycle> UsableCycles(const MachineHistory& history, bool count_rehearsal) {
  const IntervalSet voided(history.voided);
  std::vector<Cycle> usable;
  for (const Cycle& cycle : history.cycles) {
    if (cycle.rehearsal && !count_rehearsal) continue;
    if (!voided.contains(cycle.finished_at)) usable.push_back(cycle);
  }
  std::stable_sort(usable.begin(), usable.end(),
                   [](const Cycle& a, const Cycle& b) { return a.finished_at < b.finished_at; });
  return usable;
}

}  // namespace bayward
