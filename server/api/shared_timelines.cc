#include "server/api/shared_timelines.h"

#include <algorithm>
#include <atomic>
#include <memory>
#include <thread>
#include <utility>

#include "proto/common/status.h"
#include "server/api/timeline_reader.h"
#include "server/live/timeline_keeper.h"

namespace bayward {
namespace {

constexpr std::size_t kManyItems = 256;
constexpr std::size_t kItemsAtOnce = 32;

// Without a keeper: from every cycle.
absl::Status ReadAll(const FiguresSources& sources, const FiguresQuestion& question, absl::Time from,
                     std::vector<BriefTimeline>& timelines) {
  TimelineReader reader(sources.histories, *question.fleet, from, question.now);
  return reader.Read(question.selection.machines, [&](const Machine&, std::unique_ptr<MachineTimeline> timeline) {
    BriefTimeline& brief = timelines.emplace_back();
    brief.cycles = std::make_shared<CycleCounts>(CycleCounts::Of(*timeline));
    brief.extent = {from, question.now};
    brief.timeline = std::move(timeline);
  });
}

}  // namespace

std::vector<const MachineTimeline*> SharedTimelines::pointers() const {
  std::vector<const MachineTimeline*> all;
  for (const BriefTimeline& brief : timelines) all.push_back(brief.timeline.get());
  return all;
}

GroupAccount SharedTimelines::Total() const {
  std::vector<TimeAccount> accounts(machines.size());
  InParallel(accounts.size(), [&](std::size_t i) {
    TimeAccount& account = accounts[i] = ComputeAccount(*timelines[i].timeline, windows[i]);
    account.cycles_completed = account.cycles_aborted = account.contradictory_cycles = 0;
  });
  GroupAccount total{.group = "total"};
  for (const TimeAccount& account : accounts) total.Add(account);
  return total;
}

GroupAccount SharedTimelines::Provisional() const {
  GroupAccount total{.group = "total"};
  for (std::size_t i = 0; i < machines.size(); ++i) {
    TimeAccount account;
    account.provisional = !windows[i].empty() && timelines[i].timeline->in_doubt_from < windows[i].end;
    total.Add(account);
  }
  return total;
}

absl::StatusOr<SharedTimelines> ShareTimelines(const FiguresSources& sources, const FiguresQuestion& question,
                                               absl::Time from) {
  SharedTimelines shared;
  shared.machines = question.selection.machines;
  if (sources.keeper == nullptr) {
    BAYWARD_RETURN_IF_ERROR(ReadAll(sources, question, from, shared.timelines));
  } else {
    BAYWARD_ASSIGN_OR_RETURN(shared.timelines,
                             sources.keeper->Get(question.fleet, shared.machines, from, question.now));
  }
  shared.windows.reserve(shared.machines.size());
  for (const Machine* machine : shared.machines) shared.windows.push_back(question.WindowOf(*machine));
  return shared;
}

absl::StatusOr<SharedTimelines> ShareTimelines(const FiguresSources& sources, const FiguresQuestion& question) {
  return ShareTimelines(sources, question, question.windows.hull.start);
}

absl::Status DecideCycles(const FiguresSources& sources, const FiguresQuestion& question,
                          std::vector<std::vector<absl::Time>> edges, Counted counted, SharedTimelines& shared) {
  if (sources.keeper == nullptr) return absl::OkStatus();  // every cycle is known
  edges.resize(shared.machines.size());
  for (std::size_t i = 0; i < edges.size(); ++i) {
    edges[i].insert(edges[i].end(), {shared.windows[i].start, shared.windows[i].end});
    std::sort(edges[i].begin(), edges[i].end());
    edges[i].erase(std::unique(edges[i].begin(), edges[i].end()), edges[i].end());
  }
  return sources.keeper->Decide(*question.fleet, shared.machines, edges, counted, shared.timelines);
}

void InParallel(std::size_t count, const std::function<void(std::size_t)>& body) {
  std::atomic<std::size_t> next{0};
  const auto work = [&] {
    for (std::size_t at = next.fetch_add(kItemsAtOnce); at < count; at = next.fetch_add(kItemsAtOnce)) {
      for (std::size_t i = at; i < std::min(count, at + kItemsAtOnce); ++i) body(i);
    }
  };
  if (count < kManyItems) return work();
  std::thread helper(work);
  work();
  helper.join();
}

}  // namespace bayward
