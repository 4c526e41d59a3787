#include "server/timeline/condition.h"

#include <tuple>

#include "server/timeline/material.h"
#include "server/timeline/settlement.h"
#include "server/timeline/sweep.h"

namespace bayward {
namespace {

auto Meaning(const ConditionSpan& span) {
  return std::tuple(span.condition, span.unknown, span.down_origin, span.withheld_reason,
                    span.withheld_external, span.inferred, span.settled);
}

// Appends a span, to the last one where it only goes on.
void Append(const ConditionSpan& span, std::vector<ConditionSpan>& out) {
  if (!out.empty() && out.back().interval.end == span.interval.start &&
      Meaning(out.back()) == Meaning(span)) {
    out.back().interval.end = span.interval.end;
  } else {
    out.push_back(span);
  }
}

std::vector<ConditionSpan> CutTo(const IntervalSet& required, const std::vector<ConditionSpan>& spans) {
  std::vector<ConditionSpan> out;
  auto span = spans.begin();
  for (const Interval& open : required.intervals()) {
    while (span != spans.end() && span->interval.end <= open.start) ++span;
    for (auto part = span; part != spans.end() && part->interval.start < open.end; ++part) {
      ConditionSpan cut = *part;
      cut.interval = Intersect(part->interval, open);
      Append(cut, out);
    }
  }
  return out;
}

}  // namespace

std::vector<ConditionSpan> ComputeConditions(const MachineHistory& history, const IntervalSet& required,
                                             bool count_rehearsal) {
  const Material material = UsableMaterial(history, count_rehearsal);
  const Sweep sweep = SweepMaterial(material, history.observed_until, history.delivery_expected);
  return CutTo(required, Settle(sweep.spans, EffectiveSettlements(history.settlements)));
}

}  // namespace bayward
