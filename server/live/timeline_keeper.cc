#include "server/live/timeline_keeper.h"

#include <algorithm>
#include <atomic>
#include <thread>
#include <utility>

#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr std::size_t kMachinesABatch = 64;
// What an event tells of may lie before it: a loss of sight, a signal that changed before it was recorded.
constexpr absl::Duration kBeforeFirstEvent = absl::Hours(24);
// A timeline is laid out beyond now, so that it need not be made again just because time passes; machines differ, so that
// they do not all end at once.
constexpr absl::Duration kAhead = absl::Hours(1);
constexpr int kAheadMinutesMore = 60;
// One laid out for longer is not kept: somebody asked for ages.
constexpr absl::Duration kKeptMax = absl::Hours(24 * 1200);

bool Same(const Calendar& a, const Calendar& b) {
  const auto same_zone = [](const ZoneSpan& x, const ZoneSpan& y) {
    return x.valid_from == y.valid_from && x.name == y.name;
  };
  const auto same_closure = [](const Closure& x, const Closure& y) {
    return x.from == y.from && x.to == y.to && x.recorded_at == y.recorded_at && x.approved == y.approved;
  };
  return std::equal(a.zones.begin(), a.zones.end(), b.zones.begin(), b.zones.end(), same_zone) &&
         std::equal(a.closures.begin(), a.closures.end(), b.closures.begin(), b.closures.end(), same_closure) &&
         a.hours == b.hours && a.holidays == b.holidays && a.in_service_from == b.in_service_from &&
         a.retired_at == b.retired_at;
}

std::vector<Assignment> AssignmentsOf(const Fleet& fleet, MachineId machine) {
  std::vector<Assignment> all;
  const auto assigned = fleet.assignments_of.find(machine);
  if (assigned == fleet.assignments_of.end()) return all;
  for (const std::size_t i : assigned->second) all.push_back(fleet.assignments[i]);
  return all;
}

// Whether both fleets say the same of it, as far as a timeline depends on it.
bool SameMachine(const Fleet& a, const Fleet& b, MachineId id) {
  const Machine* in_a = a.FindMachine(id);
  const Machine* in_b = b.FindMachine(id);
  if (in_a == nullptr || in_b == nullptr || a.demonstration != b.demonstration) return false;
  const std::vector<Assignment> of_a = AssignmentsOf(a, id);
  const std::vector<Assignment> of_b = AssignmentsOf(b, id);
  const auto same = [](const Assignment& x, const Assignment& y) {
    return x.id == y.id && x.agent == y.agent && x.from == y.from && x.to == y.to;
  };
  return std::equal(of_a.begin(), of_a.end(), of_b.begin(), of_b.end(), same) && Same(in_a->calendar, in_b->calendar);
}

absl::Duration Ahead(MachineId machine) { return kAhead + absl::Minutes(machine.value % kAheadMinutesMore); }

// One agent watches it and always has, so that only how far that one was alive decides how far the machine was observed.
bool OneAgentOnly(const Fleet& fleet, MachineId machine, const HistoryVersion& version) {
  const auto assigned = fleet.assignments_of.find(machine);
  return version.states.size() == 1 && assigned != fleet.assignments_of.end() && assigned->second.size() == 1 &&
         fleet.assignments[assigned->second.front()].to == absl::InfiniteFuture();
}

bool Counts(const StoredCycle& stored, const Fleet& fleet, const MachineTimeline& timeline) {
  const absl::Time at = stored.cycle.finished_at;
  if ((stored.cycle.rehearsal && !timeline.count_rehearsal) || timeline.voided.contains(at)) return false;
  const std::vector<Assignment> assigned = AssignmentsOf(fleet, timeline.history.machine);
  return std::any_of(assigned.begin(), assigned.end(), [&](const Assignment& one) {
    return one.id == stored.assignment && one.from <= at && at < one.to;
  });
}

}  // namespace

TimelineKeeper::TimelineKeeper(BriefHistories& histories, const Clock& clock, TimelineKeeperOptions options)
    : histories_(histories), clock_(clock), options_(options) {}

absl::StatusOr<std::vector<HistoryVersion>> TimelineKeeper::VersionsOf(const Fleet& fleet,
                                                                       std::span<const Machine* const> machines) const {
  std::vector<MachineId> ids;
  ids.reserve(machines.size());
  for (const Machine* machine : machines) ids.push_back(machine->id);
  BAYWARD_ASSIGN_OR_RETURN(std::vector<HistoryVersion> versions, histories_.Versions(fleet, ids));
  if (versions.size() != ids.size()) {
    return Internal("{} versions were expected from the store, found {}", ids.size(), versions.size());
  }
  return versions;
}

absl::StatusOr<std::vector<BriefTimeline>> TimelineKeeper::Get(const std::shared_ptr<const Fleet>& fleet,
                                                               std::span<const Machine* const> machines,
                                                               absl::Time from, absl::Time now) {
  std::uint64_t refreshes = 0;
  {
    absl::MutexLock lock(&mutex_);
    refreshes = refreshes_;
  }
  BAYWARD_ASSIGN_OR_RETURN(std::vector<HistoryVersion> versions, VersionsOf(*fleet, machines));
  absl::MutexLock lock(&mutex_);
  if (refreshes_ != refreshes) {
    // Somebody refreshed since, perhaps what would be refreshed here.
    BAYWARD_ASSIGN_OR_RETURN(versions, VersionsOf(*fleet, machines));
  }
  Adopt(fleet);
  std::vector<Wish> wishes = Wishes(*fleet, machines, std::move(versions), from, now);
  if (!wishes.empty()) BAYWARD_RETURN_IF_ERROR(Refresh(*fleet, wishes, from, now));
  absl::flat_hash_map<MachineId, BriefTimeline> unkept;
  for (const Wish& wish : wishes) {
    if (wish.made.extent.length() > kKeptMax) {
      unkept[wish.machine->id] = wish.made;
    } else {
      Keep(wish);
    }
  }
  std::vector<BriefTimeline> timelines;
  timelines.reserve(machines.size());
  ++uses_;
  for (const Machine* machine : machines) {
    if (const auto once = unkept.find(machine->id); once != unkept.end()) {
      timelines.push_back(once->second);
      continue;
    }
    Kept& kept = kept_.at(machine->id);
    kept.used = uses_;
    timelines.push_back(kept.timeline);
  }
  Shrink();
  return timelines;
}

void TimelineKeeper::Adopt(const std::shared_ptr<const Fleet>& fleet) {
  if (fleet_ == fleet) return;
  if (fleet_ != nullptr) {
    absl::erase_if(kept_, [&](const auto& one) {
      if (SameMachine(*fleet_, *fleet, one.first)) return false;
      bytes_ -= one.second.bytes;
      return true;
    });
  }
  fleet_ = fleet;
}

absl::Status TimelineKeeper::Refresh(const Fleet& fleet, std::vector<Wish>& wishes, absl::Time from, absl::Time now) {
  constexpr std::size_t kTellingCount = 16;
  ++refreshes_;
  const absl::Duration begun = clock_.Monotonic();
  BAYWARD_RETURN_IF_ERROR(Make(fleet, wishes, from, now));
  const bool only_further =
      std::all_of(wishes.begin(), wishes.end(), [](const Wish& wish) { return wish.need == Need::kFurther; });
  if (only_further && wishes.size() >= kTellingCount) {
    cost_ = (clock_.Monotonic() - begun) / static_cast<int>(wishes.size());
  }
  return absl::OkStatus();
}

std::vector<TimelineKeeper::Wish> TimelineKeeper::Wishes(const Fleet& fleet, std::span<const Machine* const> machines,
                                                         std::vector<HistoryVersion> versions, absl::Time from,
                                                         absl::Time now) const {
  std::vector<Wish> wishes;
  std::vector<Wish> heard;  // of these only a heartbeat came
  const absl::Duration monotonic = clock_.Monotonic();
  for (std::size_t i = 0; i < machines.size(); ++i) {
    const MachineId id = machines[i]->id;
    Wish wish{.machine = machines[i], .version = std::move(versions[i])};
    const auto found = kept_.find(id);
    if (found != kept_.end()) {
      const Kept& kept = found->second;
      wish.known = &kept;
      if (kept.version.SameRows(wish.version)) {
        const Interval& extent = kept.timeline.extent;
        const bool covered = extent.start <= from && now <= extent.end;
        const bool same_observed = kept.version.SameObserved(wish.version);
        wish.need = covered && same_observed ? Need::kNothing : Need::kFurther;
        if (wish.need != Need::kNothing && !OneAgentOnly(fleet, id, wish.version)) wish.need = Need::kAll;
        if (covered && !same_observed) {
          heard.push_back(std::move(wish));
          continue;
        }
      }
    }
    if (wish.need != Need::kNothing) wishes.push_back(std::move(wish));
  }
  const absl::Duration old = std::min(options_.age_max, options_.age_factor * cost_ * static_cast<int>(heard.size()));
  for (Wish& wish : heard) {
    if (monotonic - wish.known->followed_at >= old) wishes.push_back(std::move(wish));
  }
  return wishes;
}

absl::Status TimelineKeeper::Make(const Fleet& fleet, std::vector<Wish>& wishes, absl::Time from, absl::Time now) const {
  const std::size_t batches = (wishes.size() + kMachinesABatch - 1) / kMachinesABatch;
  std::vector<absl::Status> statuses(batches);
  std::atomic<std::size_t> next{0};
  const auto work = [&] {
    for (std::size_t batch = next++; batch < batches; batch = next++) {
      const std::size_t at = batch * kMachinesABatch;
      const std::size_t count = std::min(kMachinesABatch, wishes.size() - at);
      statuses[batch] = MakeBatch(fleet, std::span(wishes).subspan(at, count), from, now);
    }
  };
  std::vector<std::thread> helpers;
  while (helpers.size() + 1 < std::min(static_cast<std::size_t>(options_.threads), batches)) helpers.emplace_back(work);
  work();
  for (std::thread& helper : helpers) helper.join();
  for (const absl::Status& status : statuses) BAYWARD_RETURN_IF_ERROR(status);
  return absl::OkStatus();
}

absl::Status TimelineKeeper::MakeBatch(const Fleet& fleet, std::span<Wish> wishes, absl::Time from,
                                       absl::Time now) const {
  std::vector<Wish*> to_read;
  for (Wish& wish : wishes) {
    const Calendar& calendar = wish.machine->calendar;
    if (wish.need == Need::kFurther) {
      const BriefTimeline& known = wish.known->timeline;
      const Interval extent{std::min(from, known.extent.start), now + Ahead(wish.machine->id)};
      std::optional<BriefTimeline> further =
          ObservedFurther(known, wish.version.states.front().observed_until, calendar, extent);
      if (further) {
        wish.made = *std::move(further);
        continue;
      }
    }
    to_read.push_back(&wish);
  }
  if (to_read.empty()) return absl::OkStatus();
  std::vector<MachineId> ids;
  for (const Wish* wish : to_read) ids.push_back(wish->machine->id);
  BAYWARD_ASSIGN_OR_RETURN(std::vector<BriefHistory> histories, histories_.Load(fleet, ids));
  if (histories.size() != ids.size()) {
    return Internal("{} histories were expected from the store, found {}", ids.size(), histories.size());
  }
  std::vector<BriefTimelineMaker> makers;
  std::vector<Interval> extents;
  std::vector<CycleRange> ranges;
  for (std::size_t i = 0; i < ids.size(); ++i) {
    to_read[i]->version = histories[i].version;
    absl::Time begins = std::min(from, histories[i].first_event_at - kBeforeFirstEvent);
    // As far back as others have asked.
    if (to_read[i]->known != nullptr) begins = std::min(begins, to_read[i]->known->timeline.extent.start);
    extents.push_back({begins, now + Ahead(ids[i])});
    const BriefTimelineMaker& maker = makers.emplace_back(std::move(histories[i]), fleet.demonstration);
    ranges.insert(ranges.end(), maker.needed().begin(), maker.needed().end());
  }
  BAYWARD_ASSIGN_OR_RETURN(const std::vector<std::vector<StoredCycle>> cycles, histories_.CyclesWithin(ranges));
  std::size_t at = 0;
  for (std::size_t i = 0; i < ids.size(); ++i) {
    const std::size_t count = makers[i].needed().size();
    to_read[i]->made =
        makers[i].Make(std::span(cycles).subspan(at, count), to_read[i]->machine->calendar, extents[i]);
    at += count;
  }
  return absl::OkStatus();
}

void TimelineKeeper::Keep(const Wish& wish) {
  Kept& kept = kept_[wish.machine->id];
  bytes_ -= kept.bytes;
  kept = {.timeline = wish.made, .version = wish.version, .followed_at = clock_.Monotonic(),
          .bytes = BytesOf(wish.made), .used = uses_};
  bytes_ += kept.bytes;
}

void TimelineKeeper::Shrink() {
  if (bytes_ <= options_.bytes_max) return;
  std::vector<std::pair<std::uint64_t, MachineId>> by_use;
  for (const auto& [machine, kept] : kept_) by_use.emplace_back(kept.used, machine);
  std::sort(by_use.begin(), by_use.end());
  for (const auto& [used, machine] : by_use) {
    if (bytes_ <= options_.bytes_max - options_.bytes_max / 10) return;
    const auto kept = kept_.find(machine);
    bytes_ -= kept->second.bytes;
    kept_.erase(kept);
  }
}

absl::Status TimelineKeeper::Decide(const Fleet& fleet, std::span<const Machine* const> machines,
                                    std::span<const std::vector<absl::Time>> edges, Counted counted,
                                    std::vector<BriefTimeline>& timelines) const {
  struct Open {
    std::size_t machine;
    absl::Time edge;
    std::vector<CyclePart> parts;
  };
  std::vector<Open> open;
  std::vector<CycleRange> ranges;
  for (std::size_t i = 0; i < machines.size(); ++i) {
    for (const absl::Time edge : edges[i]) {
      std::vector<CyclePart> parts = timelines[i].cycles->Straddling(edge, counted);
      if (parts.empty()) continue;
      for (const CyclePart& part : parts) {
        ranges.push_back({machines[i]->id, part.finished.start, part.finished.end});
      }
      open.push_back({i, edge, std::move(parts)});
    }
  }
  if (open.empty()) return absl::OkStatus();
  BAYWARD_ASSIGN_OR_RETURN(const std::vector<std::vector<StoredCycle>> cycles, histories_.CyclesWithin(ranges));
  auto of_part = cycles.begin();
  for (const Open& one : open) {
    BriefTimeline& timeline = timelines[one.machine];
    std::vector<Cycle> counting;
    for (const CyclePart& part : one.parts) {
      // Ranges of different sorts may overlap: each cycle once.
      for (const StoredCycle& stored : *of_part++) {
        if (part.IsOfSort(stored.cycle) && Counts(stored, fleet, *timeline.timeline)) counting.push_back(stored.cycle);
      }
    }
    auto decided = std::make_shared<CycleCounts>(*timeline.cycles);
    decided->Decide(one.edge, counting);
    timeline.cycles = std::move(decided);
  }
  return absl::OkStatus();
}

std::size_t TimelineKeeper::bytes() const {
  absl::MutexLock lock(&mutex_);
  return bytes_;
}

}  // namespace bayward
