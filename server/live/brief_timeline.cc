#include "server/live/brief_timeline.h"

#include <algorithm>
#include <map>
#include <tuple>
#include <utility>

#include "server/timeline/material.h"
#include "server/timeline/outage.h"

namespace bayward {
namespace {

// Whether one of the instants, which are ascending, lies inside, its ends not counted.
bool AnyInside(const std::vector<absl::Time>& instants, const Interval& interval) {
  const auto after = std::upper_bound(instants.begin(), instants.end(), interval.start);
  return after != instants.end() && *after < interval.end;
}

void SortUnique(std::vector<absl::Time>& instants) {
  std::sort(instants.begin(), instants.end());
  instants.erase(std::unique(instants.begin(), instants.end()), instants.end());
}

void AddEnds(const IntervalSet& set, std::vector<absl::Time>& instants) {
  for (const Interval& interval : set.intervals()) {
    instants.push_back(interval.start);
    instants.push_back(interval.end);
  }
}

// Of one sort and overlapping: their cycles cannot be told apart by time. Makes them one.
void Merge(std::vector<CycleRun>& runs) {
  const auto sort_of = [](const CycleRun& run) { return std::tuple(run.outcome, run.start_known); };
  std::sort(runs.begin(), runs.end(), [&](const CycleRun& a, const CycleRun& b) {
    return std::tuple(sort_of(a), a.first, a.last) < std::tuple(sort_of(b), b.first, b.last);
  });
  std::vector<CycleRun> merged;
  merged.reserve(runs.size());
  for (const CycleRun& run : runs) {
    if (merged.empty() || sort_of(merged.back()) != sort_of(run) || merged.back().last < run.first) {
      merged.push_back(run);
      continue;
    }
    CycleRun& into = merged.back();
    into.last = std::max(into.last, run.last);
    into.shortest_minutes = std::min(into.shortest_minutes, run.shortest_minutes);
    into.longest_minutes = std::max(into.longest_minutes, run.longest_minutes);
    into.count += run.count;
    into.micros = -1;
  }
  runs = std::move(merged);
}

CyclePart PartOf(const CycleRun& run) {
  constexpr absl::Duration kLeast = absl::Microseconds(1);
  CyclePart part;
  part.finished = {run.finished().start, run.finished().end - kLeast};
  part.start_known = run.start_known;
  if (run.start_known) {
    part.started = {part.finished.start - absl::Minutes(run.longest_minutes),
                    part.finished.end - absl::Minutes(run.shortest_minutes)};
  }
  part.count = run.count;
  part.outcome = run.outcome;
  return part;
}

// Of the instants at which the machine showed that it works, the first after each of `ends`.
std::vector<Cycle> FirstAfter(std::vector<absl::Time> worked, const std::vector<absl::Time>& ends) {
  SortUnique(worked);
  std::vector<Cycle> cycles;
  for (const absl::Time end : ends) {
    const auto next = std::lower_bound(worked.begin(), worked.end(), end);
    if (next == worked.end()) break;
    if (!cycles.empty() && cycles.back().finished_at == *next) continue;
    Cycle& cycle = cycles.emplace_back();
    cycle.finished_at = *next;
  }
  return cycles;
}

}  // namespace

BriefTimelineMaker::BriefTimelineMaker(BriefHistory brief, bool count_rehearsal)
    : count_rehearsal_(count_rehearsal), brief_(std::move(brief)), voided_(brief_.history.voided) {
  const Material material = UsableMaterial(brief_.history, count_rehearsal_);
  blocked_ = BlockedTime(material, Blocking::kAny);
  for (const SpellPiece& piece : material.spells) {
    if (piece.spell->effect == Effect::kBlocking) ends_.push_back(piece.interval.end);
  }
  for (const ModePiece& piece : material.modes) ends_.push_back(piece.interval.end);
  SortUnique(ends_);
  for (const absl::Time end : ends_) looked_until_.push_back(end + kRepeatWithin);
  borders_ = ends_;
  AddEnds(voided_, borders_);
  AddEnds(blocked_, borders_);
  SortUnique(borders_);
  for (AssignedRuns& of_assignment : brief_.runs) {
    std::erase_if(of_assignment.runs, [&](const CycleRun& run) { return run.rehearsal && !count_rehearsal_; });
    Merge(of_assignment.runs);
    Take(of_assignment);
    of_assignment.runs = {};
  }
}

bool BriefTimelineMaker::NeedsSingles(const CycleRun& run, const Interval& assigned) const {
  const Interval finished = run.finished();
  if (AnyInside(borders_, finished)) return true;
  for (const absl::Time border : {assigned.start, assigned.end}) {
    if (finished.start < border && border < finished.end) return true;
  }
  // The first of them may be what tells that the machine washed before an instant.
  return AnyInside(looked_until_, {finished.start, std::min(finished.end, finished.start + absl::Seconds(1))});
}

void BriefTimelineMaker::Take(const AssignedRuns& of_assignment) {
  std::vector<Interval> ranges;
  for (const CycleRun& run : of_assignment.runs) {
    const Interval finished = run.finished();
    if (NeedsSingles(run, of_assignment.assigned)) {
      cut_.push_back({run, of_assignment.assignment, of_assignment.assigned});
      ranges.push_back(finished);
    } else if (of_assignment.assigned.contains(finished.start) && !voided_.contains(finished.start)) {
      whole_.push_back(run);
    }
  }
  const IntervalSet disjoint(std::move(ranges));
  for (const Interval& range : disjoint.intervals()) {
    needed_.push_back({brief_.history.machine, range.start, range.end - absl::Microseconds(1)});
  }
}

// What counts, as it is found.
class BriefTimelineMaker::Taken {
 public:
  explicit Taken(const IntervalSet& blocked) : blocked_(blocked) {}

  void Add(const Cycle& cycle) { Add(CyclePart::Of(cycle, false), cycle.finished_at); }
  // `at`: when one of them finished, to the second.
  void Add(CyclePart part, absl::Time at) {
    if (part.outcome == CycleOutcome::kCompleted) {
      part.contradictory = blocked_.contains(at);
      if (!part.contradictory) worked.push_back(at);
    }
    parts.push_back(part);
  }

  std::vector<CyclePart> parts;
  std::vector<absl::Time> worked;  // when the machine showed that it works

 private:
  const IntervalSet& blocked_;
};

void BriefTimelineMaker::AddCut(const CutRun& cut, std::span<const std::vector<StoredCycle>> cycles,
                                Taken& taken) const {
  const CyclePart whole = PartOf(cut.run);
  bool any = false;
  for (const std::vector<StoredCycle>& of_range : cycles) {
    for (const StoredCycle& stored : of_range) {
      const Cycle& cycle = stored.cycle;
      const bool own = stored.assignment == cut.assignment && (count_rehearsal_ || !cycle.rehearsal) &&
                       whole.IsOfSort(cycle) && cut.run.finished().contains(cycle.finished_at);
      if (!own) continue;
      any = true;
      if (cut.assigned.contains(cycle.finished_at) && !voided_.contains(cycle.finished_at)) taken.Add(cycle);
    }
  }
  const absl::Time began = whole.finished.start;
  if (any || !cut.assigned.contains(began) || voided_.contains(began)) return;
  // Its cycles were dropped with age: as a whole it lies where it began.
  CyclePart left = whole;
  left.finished.end = left.finished.start;
  if (left.start_known) left.started.end = left.started.start;
  taken.Add(left, began);
}

BriefTimeline BriefTimelineMaker::Make(std::span<const std::vector<StoredCycle>> cycles, const Calendar& calendar,
                                       const Interval& extent) {
  Taken taken(blocked_);
  taken.parts.reserve(whole_.size() + 4 * cut_.size());
  for (const CycleRun& run : whole_) taken.Add(PartOf(run), run.finished().start);
  for (const CutRun& cut : cut_) AddCut(cut, cycles, taken);
  brief_.history.cycles = FirstAfter(std::move(taken.worked), ends_);
  BriefTimeline made;
  made.timeline = std::make_shared<MachineTimeline>(std::move(brief_.history), calendar, extent, count_rehearsal_);
  made.cycles = std::make_shared<CycleCounts>(std::move(taken.parts));
  made.extent = extent;
  return made;
}

std::optional<BriefTimeline> ObservedFurther(const BriefTimeline& known, absl::Time observed_until,
                                             const Calendar& calendar, const Interval& extent) {
  const MachineTimeline& timeline = *known.timeline;
  // How long that blocks, and whether it does, depends on how far it was seen.
  const bool open = std::any_of(timeline.history.spells.begin(), timeline.history.spells.end(), [](const Spell& spell) {
    return spell.effect == Effect::kBlocking && spell.cleared_at == absl::InfiniteFuture();
  });
  if (open || observed_until < timeline.history.observed_until) return std::nullopt;
  MachineHistory history = timeline.history;
  history.observed_until = observed_until;
  BriefTimeline further = known;
  further.timeline =
      std::make_shared<MachineTimeline>(std::move(history), calendar, extent, timeline.count_rehearsal);
  further.extent = extent;
  return further;
}

std::size_t BytesOf(const BriefTimeline& brief) {
  const MachineTimeline& timeline = *brief.timeline;
  const auto of = [](const auto& rows) { return rows.capacity() * sizeof(rows[0]); };
  std::size_t bytes = sizeof(MachineTimeline) + brief.cycles->bytes();
  const MachineHistory& history = timeline.history;
  bytes += of(history.spells) + of(history.modes) + of(history.observed) + of(history.cycles);
  for (const Spell& spell : history.spells) {
    for (const std::string* text : {&spell.raw_code, &spell.raw_text}) {
      if (text->capacity() > sizeof(std::string) / 2) bytes += text->capacity();
    }
  }
  bytes += of(timeline.required.intervals()) + of(timeline.excluded.intervals()) + of(timeline.conditions) +
           of(timeline.outages) + of(timeline.down_before) + of(timeline.blocked.intervals()) +
           of(timeline.blocked_external.intervals());
  for (const Outage& outage : timeline.outages) bytes += of(outage.consequential);
  return bytes;
}

}  // namespace bayward
