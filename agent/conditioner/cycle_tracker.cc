#include "agent/conditioner/cycle_tracker.h"

#include <algorithm>
#include <utility>

namespace bayward {

std::vector<CycleTracker::Cycle>::iterator CycleTracker::Find(std::string_view id) {
  return std::find_if(open_.begin(), open_.end(), [id](const Cycle& cycle) { return cycle.id == id; });
}

void CycleTracker::Start(const std::string& id, const std::string& programme, absl::Duration now) {
  if (Find(id) != open_.end()) return;
  if (open_.size() >= kOpenMax) Abandon(std::string(open_.front().id), now);
  open_.push_back({id, programme, now, true});
  CycleChange change;
  change.started = true;
  change.id = id;
  change.programme = programme;
  change.at = now;
  changes_.push_back(std::move(change));
}

void CycleTracker::StartUnseen(const std::string& id, const std::string& programme, absl::Duration now) {
  if (Find(id) == open_.end()) open_.push_back({id, programme, now, false});
}

void CycleTracker::Finish(const std::string& id, const CycleEnd& end, absl::Duration now) {
  const auto found = Find(id);
  if (found != open_.end()) {
    Close(found, end, now);
    return;
  }
  CycleChange change;
  change.id = id;
  change.programme = end.programme;
  change.at = now;
  change.outcome = end.outcome;
  change.abort_cause = end.abort_cause;
  changes_.push_back(std::move(change));
}

void CycleTracker::FinishIfOpen(const std::string& id, const CycleEnd& end, absl::Duration now) {
  const auto found = Find(id);
  if (found != open_.end()) Close(found, end, now);
}

void CycleTracker::Abandon(const std::string& id, absl::Duration now) {
  FinishIfOpen(id, {v1::CYCLE_OUTCOME_ABANDONED, v1::FAULT_CLASS_UNSPECIFIED, ""}, now);
}

void CycleTracker::Close(std::vector<Cycle>::iterator cycle, const CycleEnd& end, absl::Duration now) {
  CycleChange change;
  change.id = cycle->id;
  change.programme = cycle->programme.empty() ? end.programme : cycle->programme;
  change.at = now;
  change.outcome = end.outcome;
  change.abort_cause = end.abort_cause;
  if (cycle->start_seen) change.lasted = now - cycle->started_at;
  open_.erase(cycle);
  changes_.push_back(std::move(change));
}

std::vector<CycleChange> CycleTracker::Advance(absl::Duration now) {
  while (!open_.empty()) {
    const auto late = std::find_if(open_.begin(), open_.end(), [this, now](const Cycle& cycle) {
      return now - cycle.started_at > longest_;
    });
    if (late == open_.end()) break;
    Abandon(std::string(late->id), now);
  }
  return std::exchange(changes_, {});
}

std::vector<std::string> CycleTracker::Open() const {
  std::vector<std::string> ids;
  for (const Cycle& cycle : open_) ids.push_back(cycle.id);
  return ids;
}

}  // namespace bayward
