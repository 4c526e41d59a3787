#include "server/registry/resolve.h"

#include <algorithm>
#include <vector>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/registry/values.h"

namespace bayward {
namespace {

template <class T>
const T* FindByKey(const std::vector<T>& rows, const std::string& key) {
  const auto found = std::find_if(rows.begin(), rows.end(), [&](const T& row) { return row.key == key; });
  return found == rows.end() ? nullptr : &*found;
}

void ResolveClosures(DeclaredSite& wanted, const DeclaredSite* current, absl::Time now) {
  for (DeclaredClosure& closure : wanted.closures) {
    if (closure.recorded_at) continue;
    closure.recorded_at = now;
    if (current == nullptr) continue;
    const auto same = std::find_if(current->closures.begin(), current->closures.end(),
                                   [&](const DeclaredClosure& c) { return c.from == closure.from; });
    if (same != current->closures.end() && closure.to <= same->to) closure.recorded_at = same->recorded_at;
  }
}

class AssignmentResolver {
 public:
  AssignmentResolver(const EndedAssignments& ended, absl::Time now, std::vector<std::string>& faults)
      : ended_(ended), now_(now), faults_(faults) {}

  void Resolve(const std::string& full_name, DeclaredMachine& wanted, const DeclaredMachine* current) {
    if (wanted.agent.empty()) {
      wanted.assigned_from = std::nullopt;
      return;
    }
    const auto found = ended_.find(full_name);
    const Interval* ended = found == ended_.end() ? nullptr : &found->second;
    if (current == nullptr || current->agent.empty()) {
      Begin(full_name, wanted, ended);
    } else if (current->agent != wanted.agent) {
      if (!wanted.assigned_from) wanted.assigned_from = now_;
      RequireAfter(full_name, wanted, *current->assigned_from, current->agent);
    } else if (!wanted.assigned_from) {
      wanted.assigned_from = current->assigned_from;
    } else if (ended != nullptr && *wanted.assigned_from != *current->assigned_from) {
      // Where one passed to the other, both ends move.
      const bool joined = ended->end == *current->assigned_from;
      if (joined) RequireAfter(full_name, wanted, ended->start, "the agent before");
      if (!joined) RequireAtOrAfter(full_name, wanted, ended->end);
    }
  }

 private:
  void Begin(const std::string& full_name, DeclaredMachine& wanted, const Interval* ended) {
    if (!wanted.assigned_from) {
      wanted.assigned_from = ended == nullptr ? absl::InfinitePast() : std::max(now_, ended->end);
    } else if (ended != nullptr) {
      RequireAtOrAfter(full_name, wanted, ended->end);
    }
  }

  void RequireAfter(const std::string& full_name, const DeclaredMachine& wanted, absl::Time from,
                    const std::string& whose) {
    if (*wanted.assigned_from > from) return;
    faults_.push_back(
        fmt::format("{}: machine {} would pass to {} at {}, but {} watches it only since {}: state a "
                    "later assigned_from",
                    wanted.where, full_name, wanted.agent, FormatInstant(*wanted.assigned_from), whose,
                    FormatInstant(from)));
  }

  void RequireAtOrAfter(const std::string& full_name, const DeclaredMachine& wanted, absl::Time end) {
    if (*wanted.assigned_from >= end) return;
    faults_.push_back(fmt::format(
        "{}: machine {} would be watched by {} from {}, but another assignment lasts until "
        "{}: state a later assigned_from",
        wanted.where, full_name, wanted.agent, FormatInstant(*wanted.assigned_from), FormatInstant(end)));
  }

  const EndedAssignments& ended_;
  const absl::Time now_;
  std::vector<std::string>& faults_;
};

}  // namespace

absl::StatusOr<Declaration> Resolve(Declaration wanted, const Declaration& current,
                                    const EndedAssignments& ended, absl::Time now) {
  std::vector<std::string> faults;
  AssignmentResolver assignments(ended, now, faults);
  for (DeclaredSite& site : wanted.sites) {
    const DeclaredSite* site_now = FindByKey(current.sites, site.key);
    ResolveClosures(site, site_now, now);
    for (DeclaredMachine& machine : site.machines) {
      assignments.Resolve(site.key + "/" + machine.key, machine,
                          site_now == nullptr ? nullptr : FindByKey(site_now->machines, machine.key));
    }
  }
  if (faults.empty()) return wanted;
  return InvalidArgument("{}", absl::StrJoin(faults, "\n"));
}

}  // namespace bayward
