#include "server/figures/cycle_counts.h"

#include <algorithm>
#include <limits>

namespace bayward {
namespace {

constexpr std::size_t kPartsABlock = 64;
constexpr std::uint64_t kCountMost = (1U << 20) - 1;  // of cycles within an hour
constexpr std::int64_t kLeadMost = (std::int64_t{1} << 40) - 1;

std::int64_t Micros(absl::Time at) { return absl::ToUnixMicros(at); }
absl::Time At(std::int64_t micros) { return absl::FromUnixMicros(micros); }

// Milliseconds, rounded up so that nothing lies outside.
std::uint32_t Span(std::int64_t micros) {
  const std::int64_t millis = (std::max<std::int64_t>(micros, 0) + 999) / 1000;
  return static_cast<std::uint32_t>(std::min<std::int64_t>(millis, std::numeric_limits<std::uint32_t>::max()));
}
std::int64_t MicrosOf(std::uint32_t millis) { return std::int64_t{millis} * 1000; }

CycleSums Minus(const CycleSums& a, const CycleSums& b) {
  return {a.finished - b.finished, a.start_known - b.start_known, a.completed - b.completed,
          a.aborted - b.aborted, a.contradictory - b.contradictory, a.started - b.started};
}

}  // namespace

CyclePart CyclePart::Of(const Cycle& cycle, bool contradictory) {
  CyclePart part;
  part.finished = {cycle.finished_at, cycle.finished_at};
  part.start_known = cycle.started_at != absl::InfinitePast();
  if (part.start_known) part.started = {cycle.started_at, cycle.started_at};
  part.count = 1;
  part.outcome = cycle.outcome;
  part.contradictory = contradictory;
  return part;
}

CycleCounts::Packed CycleCounts::Pack(const CyclePart& part) {
  Packed packed{};
  packed.first = Micros(part.finished.start);
  packed.finished_span = Span(Micros(part.finished.end) - packed.first);
  packed.count = part.count & kCountMost;
  packed.outcome = static_cast<std::uint64_t>(part.outcome) & 3;
  packed.start_known = part.start_known;
  packed.contradictory = part.contradictory;
  if (part.start_known) {
    const std::int64_t lead = std::clamp<std::int64_t>(packed.first - Micros(part.started.start), 0, kLeadMost);
    packed.lead = static_cast<std::uint64_t>(lead) & static_cast<std::uint64_t>(kLeadMost);
    packed.started_span = Span(Micros(part.started.end) - (packed.first - lead));
  }
  return packed;
}

CyclePart CycleCounts::Unpack(const Packed& packed) {
  CyclePart part;
  part.finished = {At(packed.first), At(packed.first + MicrosOf(packed.finished_span))};
  part.count = static_cast<std::uint32_t>(packed.count);
  part.outcome = static_cast<CycleOutcome>(packed.outcome);
  part.start_known = packed.start_known != 0;
  part.contradictory = packed.contradictory != 0;
  if (part.start_known) {
    part.started.start = At(packed.first - LeadOf(packed));
    part.started.end = part.started.start + absl::Microseconds(MicrosOf(packed.started_span));
  }
  return part;
}

void CycleCounts::Add(const Packed& part, CycleSums& sums) {
  const auto count = static_cast<long>(part.count);
  sums.finished += count;
  if (part.start_known) sums.start_known += count;
  if (part.contradictory) sums.contradictory += count;
  if (part.outcome == static_cast<std::uint64_t>(CycleOutcome::kCompleted)) sums.completed += count;
  if (part.outcome == static_cast<std::uint64_t>(CycleOutcome::kAborted)) sums.aborted += count;
}

CycleCounts::CycleCounts(std::vector<CyclePart> given) {
  auto parts = std::make_shared<Parts>();
  parts->all.reserve(given.size());
  for (const CyclePart& part : given) {
    const Packed& packed = parts->all.emplace_back(Pack(part));
    first_finished_ = std::min(first_finished_, part.finished.start);
    parts->longest_run = std::max(parts->longest_run, MicrosOf(packed.finished_span));
    if (part.start_known) {
      parts->longest_lead =
          std::max(parts->longest_lead, LeadOf(packed) + MicrosOf(packed.finished_span));
    }
  }
  const auto by_first = [](const Packed& a, const Packed& b) { return a.first < b.first; };
  if (!std::is_sorted(parts->all.begin(), parts->all.end(), by_first)) {
    std::stable_sort(parts->all.begin(), parts->all.end(), by_first);
  }
  CycleSums sums;
  for (std::size_t i = 0; i < parts->all.size(); ++i) {
    if (i % kPartsABlock == 0) parts->through.push_back(sums);
    Add(parts->all[i], sums);
  }
  parts_ = std::move(parts);
}

CycleCounts CycleCounts::Of(const MachineTimeline& timeline) {
  std::vector<CyclePart> parts;
  parts.reserve(timeline.history.cycles.size());
  for (const Cycle& cycle : timeline.history.cycles) {
    const bool contradictory =
        cycle.outcome == CycleOutcome::kCompleted && timeline.blocked.contains(cycle.finished_at);
    parts.push_back(CyclePart::Of(cycle, contradictory));
  }
  return CycleCounts(std::move(parts));
}

std::vector<CycleCounts::Packed> CycleCounts::StraddlingParts(std::int64_t at, Counted counted) const {
  const std::vector<Packed>& all = parts_->all;
  // Those that finish around it, and those that start around it and finish later.
  const auto from = std::lower_bound(all.begin(), all.end(), at - parts_->longest_run,
                                     [](const Packed& part, std::int64_t t) { return part.first < t; });
  std::vector<Packed> straddling;
  for (auto part = from; part != all.end() && part->first <= at + parts_->longest_lead; ++part) {
    const bool finishes = part->first < at && at <= part->first + MicrosOf(part->finished_span);
    const std::int64_t earliest = part->first - LeadOf(*part);
    const bool starts = part->start_known && earliest < at && at <= earliest + MicrosOf(part->started_span) &&
                        part->started_span > 0;
    if (finishes || (starts && counted == Counted::kStartedToo)) straddling.push_back(*part);
  }
  return straddling;
}

std::vector<CyclePart> CycleCounts::Straddling(absl::Time at, Counted counted) const {
  std::vector<CyclePart> parts;
  if (decided_.contains(at)) return parts;
  for (const Packed& part : StraddlingParts(Micros(at), counted)) parts.push_back(Unpack(part));
  return parts;
}

CycleSums CycleCounts::Plain(std::int64_t at) const {
  const std::vector<Packed>& all = parts_->all;
  const auto after = std::lower_bound(all.begin(), all.end(), at,
                                      [](const Packed& part, std::int64_t t) { return part.first < t; });
  const auto index = static_cast<std::size_t>(after - all.begin());
  CycleSums sums;
  if (!parts_->through.empty()) {
    const std::size_t block = std::min(index / kPartsABlock, parts_->through.size() - 1);
    sums = parts_->through[block];
    for (std::size_t i = block * kPartsABlock; i < index; ++i) Add(all[i], sums);
  }
  // What has finished has started; of what finishes later, what started before.
  sums.started = sums.finished;
  for (auto part = after; part != all.end() && part->first <= at + parts_->longest_lead; ++part) {
    if (part->start_known && part->first - LeadOf(*part) < at) sums.started += static_cast<long>(part->count);
  }
  return sums;
}

CycleSums CycleCounts::Before(absl::Time at) const {
  const auto decided = decided_.find(at);
  return decided != decided_.end() ? decided->second : Plain(Micros(at));
}

void CycleCounts::Decide(absl::Time at, std::span<const Cycle> cycles) {
  CycleSums sums = Plain(Micros(at));
  for (const Packed& part : StraddlingParts(Micros(at), Counted::kStartedToo)) {
    const CyclePart whole = Unpack(part);
    // Runs of one kind do not overlap, so that kind and time tell whose a cycle is.
    std::vector<const Cycle*> own;
    for (const Cycle& cycle : cycles) {
      if (whole.IsOfSort(cycle) && whole.finished.start <= cycle.finished_at &&
          cycle.finished_at <= whole.finished.end) {
        own.push_back(&cycle);
      }
    }
    if (own.size() < whole.count) continue;
    CycleSums taken, given;
    if (part.first < Micros(at)) Add(part, taken);
    if (part.first - LeadOf(part) < Micros(at)) taken.started = static_cast<long>(part.count);
    for (const Cycle* cycle : own) {
      if (cycle->finished_at < at) Add(Pack(CyclePart::Of(*cycle, whole.contradictory)), given);
      if ((whole.start_known ? cycle->started_at : cycle->finished_at) < at) ++given.started;
    }
    sums = Minus(sums, Minus(taken, given));
  }
  decided_[at] = sums;
}

CycleSums CycleCounts::Within(const Interval& window) const {
  if (window.empty()) return {};
  return Minus(Before(window.end), Before(window.start));
}

std::size_t CycleCounts::bytes() const {
  return sizeof(Parts) + parts_->all.capacity() * sizeof(Packed) + parts_->through.capacity() * sizeof(CycleSums);
}

TimeAccount ComputeAccount(const MachineTimeline& timeline, const CycleCounts& cycles, const Interval& window) {
  TimeAccount account = ComputeAccount(timeline, window);
  const CycleSums sums = cycles.Within(window);
  account.cycles_completed = sums.completed;
  account.cycles_aborted = sums.aborted;
  account.contradictory_cycles = sums.contradictory;
  return account;
}

}  // namespace bayward
