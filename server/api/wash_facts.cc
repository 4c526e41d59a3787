#include "server/api/wash_facts.h"

#include <algorithm>
#include <map>

#include "bayward/v1/event.pb.h"
#include "server/api/event_words.h"
#include "server/timeline/material.h"

namespace bayward {
namespace {

absl::Time BeginOf(const Cycle& cycle) {
  return cycle.started_at == absl::InfinitePast() ? cycle.finished_at : cycle.started_at;
}

// Whether `candidate` answers better than `best`: under way before over, then the later one.
bool Better(const Cycle& candidate, const Cycle& best, absl::Time at) {
  const bool under_way = candidate.finished_at >= at;
  const bool best_under_way = best.finished_at >= at;
  if (under_way != best_under_way) return under_way;
  return under_way ? BeginOf(candidate) > BeginOf(best) : candidate.finished_at > best.finished_at;
}

const Cycle* FindIn(const std::vector<Cycle>& cycles, const IntervalSet& voided, absl::Time at) {
  const Cycle* best = nullptr;
  for (const Cycle& cycle : cycles) {
    if (BeginOf(cycle) > at || voided.contains(cycle.finished_at)) continue;
    if (best == nullptr || Better(cycle, *best, at)) best = &cycle;
  }
  return best;
}

bool ActiveIn(const Spell& spell, absl::Time start, absl::Time finish) {
  return spell.raised_at <= finish && spell.cleared_at > start;
}

bool Counts(const Spell& spell, const MachineTimeline& timeline) {
  return !spell.rehearsal || timeline.count_rehearsal;
}

void AddFaults(const MachineTimeline& timeline, WashFacts& facts) {
  const absl::Time start = facts.begin();
  const absl::Time finish = facts.wash.finished_at;
  for (const Spell& spell : timeline.history.spells) {
    if (!Counts(spell, timeline)) continue;
    if (ActiveIn(spell, start, finish)) {
      facts.during.push_back(&spell);
    } else if (spell.cleared_at <= start && spell.cleared_at >= start - kFaultsAround) {
      facts.before.push_back(&spell);
    } else if (spell.raised_at > finish && spell.raised_at <= finish + kFaultsAround) {
      facts.after.push_back(&spell);
    }
  }
}

bool IsClean(const Cycle& cycle, const MachineTimeline& timeline) {
  if (cycle.outcome != CycleOutcome::kCompleted || cycle.started_at == absl::InfinitePast()) return false;
  return std::none_of(timeline.history.spells.begin(), timeline.history.spells.end(), [&](const Spell& spell) {
    return Counts(spell, timeline) && ActiveIn(spell, cycle.started_at, cycle.finished_at);
  });
}

void AddLastClean(const MachineTimeline& timeline, const IntervalSet& observed, WashFacts& facts) {
  std::uint32_t between = 0;
  const std::vector<Cycle>& cycles = timeline.history.cycles;
  for (auto cycle = cycles.rbegin(); cycle != cycles.rend(); ++cycle) {
    if (cycle->finished_at > facts.begin()) continue;
    // Without a start known, this wash itself.
    if (cycle->cycle == facts.wash.cycle && cycle->finished_at == facts.wash.finished_at) continue;
    if (IsClean(*cycle, timeline)) {
      facts.last_clean = cycle->finished_at;
      const IntervalSet since{{facts.last_clean, facts.begin()}};
      if (since.Minus(observed).empty()) facts.washes_since_clean = between;
      return;
    }
    if (cycle->outcome == CycleOutcome::kCompleted) ++between;
  }
}

void AddLastUpkeep(const Material& material, WashFacts& facts) {
  for (const ModePiece& mode : material.modes) {
    const bool upkeep = mode.mode->mode == Mode::kOccupied || mode.mode->reason == ModeReason::kUpkeep;
    if (!upkeep || mode.interval.end > facts.begin()) continue;
    facts.last_upkeep = std::max(facts.last_upkeep, mode.interval.end);
  }
}

// Why nobody watched from `at` on.
std::string LostWhy(const MachineTimeline& timeline, absl::Time at) {
  const ObservedSpan* last = nullptr;
  for (const ObservedSpan& span : timeline.history.observed) {
    if ((span.rehearsal && !timeline.count_rehearsal) || span.to > at) continue;
    if (last == nullptr || span.to >= last->to) last = &span;
  }
  if (last == nullptr) return "not watched before";
  const std::string reason = LossWords(last->loss_reason);
  return reason.empty() ? "not watched" : "not watched: " + reason;
}

void AddUnknown(const MachineTimeline& timeline, const IntervalSet& observed, absl::Time now, WashFacts& facts) {
  const Interval around{facts.begin() - kEventsAround, std::min(now, facts.wash.finished_at + kEventsAround)};
  const IntervalSet cut = timeline.voided.Intersect(around);
  for (const Interval& voided : cut.intervals()) {
    facts.unknown.push_back({voided, "a clock stepped back over it, or its events are missing"});
  }
  const IntervalSet gaps = IntervalSet{around}.Minus(observed).Minus(timeline.voided);
  const absl::Time until =
      timeline.history.delivery_expected ? timeline.history.observed_until : absl::InfiniteFuture();
  for (const Interval& gap : gaps.intervals()) {
    const Interval lost{gap.start, std::min(gap.end, until)};
    const Interval pending{std::max(gap.start, until), gap.end};
    if (!lost.empty()) facts.unknown.push_back({lost, LostWhy(timeline, lost.start)});
    if (!pending.empty()) facts.unknown.push_back({pending, "not delivered yet"});
  }
  std::sort(facts.unknown.begin(), facts.unknown.end(),
            [](const UnknownStretch& a, const UnknownStretch& b) { return a.interval.start < b.interval.start; });
}

}  // namespace

std::vector<Cycle> WashesOf(const std::vector<StoredEvent>& events) {
  std::vector<Cycle> washes;
  std::map<std::string, Cycle> begun;
  v1::Event event;
  for (const StoredEvent& stored : events) {
    if (!event.ParseFromString(stored.payload)) continue;
    if (event.has_cycle_started()) {
      const v1::CycleStarted& said = event.cycle_started();
      const auto [start, first] = begun.try_emplace(said.cycle());
      if (!first) continue;  // started twice: the first start holds
      start->second.programme = said.programme();
      start->second.started_at = stored.effective_at;
      start->second.sold_as = static_cast<std::uint8_t>(said.sold_as());
      start->second.paid_by = static_cast<std::uint8_t>(said.paid_by());
      continue;
    }
    if (!event.has_cycle_finished()) continue;
    const v1::CycleFinished& said = event.cycle_finished();
    Cycle wash;
    if (said.duration_us() > 0) wash.started_at = stored.effective_at - absl::Microseconds(said.duration_us());
    if (auto start = begun.extract(said.cycle()); !start.empty()) wash = start.mapped();
    wash.cycle = said.cycle();
    if (!said.programme().empty()) wash.programme = said.programme();
    wash.finished_at = stored.effective_at;
    wash.started_at = std::min(wash.started_at, wash.finished_at);
    wash.outcome = static_cast<CycleOutcome>(said.outcome());
    wash.abort_cause = said.abort_cause();
    if (said.sold_as() != 0) wash.sold_as = static_cast<std::uint8_t>(said.sold_as());
    if (said.paid_by() != 0) wash.paid_by = static_cast<std::uint8_t>(said.paid_by());
    wash.rehearsal = stored.rehearsal;
    washes.push_back(std::move(wash));
  }
  return washes;
}

std::optional<WashFacts> FindWash(const MachineTimeline& timeline, const std::vector<Cycle>& held, absl::Time at,
                                  absl::Time now) {
  const Cycle* known = FindIn(timeline.history.cycles, timeline.voided, at);
  const Cycle* kept = FindIn(held, timeline.voided, at);
  if (known == nullptr && kept == nullptr) return std::nullopt;
  WashFacts facts;
  // What both know is told by the timeline.
  facts.in_timeline = kept == nullptr || (known != nullptr && !Better(*kept, *known, at));
  facts.wash = facts.in_timeline ? *known : *kept;
  const Material material = UsableMaterial(timeline.history, timeline.count_rehearsal);
  AddFaults(timeline, facts);
  // Past their retention the washes before it are not known one by one.
  if (facts.in_timeline) AddLastClean(timeline, material.observed, facts);
  AddLastUpkeep(material, facts);
  AddUnknown(timeline, material.observed, now, facts);
  return facts;
}

}  // namespace bayward
