// Builds fleets, and stores that hold what a test puts into them, for tests of what stands on both. For one
// thread.
#pragma once

#include <cstdlib>
#include <map>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "absl/time/time.h"
#include "server/model/fleet.h"
#include "server/store/epoch_names.h"
#include "server/store/history_store.h"
#include "tests/support/calendars.h"

namespace bayward::testing {

// Open all day every day in a zone.
inline Calendar AlwaysOpenIn(const std::string& zone) {
  Calendar calendar = AlwaysOpen();
  absl::TimeZone loaded;
  if (!absl::LoadTimeZone(zone, &loaded)) std::abort();
  calendar.zones = {{absl::CivilDay::min(), zone, loaded}};
  return calendar;
}

class FleetBuilder {
 public:
  // Machines added from here on are at this site; an agent "agent-<site>" watches them.
  FleetBuilder& AddSite(const std::string& key, const std::string& region,
                        const Calendar& calendar = AlwaysOpen()) {
    Site site;
    site.id = {static_cast<int>(fleet_.sites.size()) + 1};
    site.key = key;
    site.name = "Site " + key;
    site.region = region;
    site.calendar = calendar;
    fleet_.sites.push_back(site);
    fleet_.agents.push_back({{site.id.value}, site.id, "agent-" + key});
    return *this;
  }

  FleetBuilder& AddMachine(const std::string& key, const std::string& kind) {
    Machine machine;
    machine.id = {static_cast<int>(fleet_.machines.size()) + 1};
    machine.site = fleet_.sites.back().id;
    machine.key = key;
    machine.kind = kind;
    machine.calendar = fleet_.sites.back().calendar;
    fleet_.machines.push_back(machine);
    Assignment assignment;
    assignment.id = machine.id.value;
    assignment.machine = machine.id;
    assignment.agent = fleet_.agents.back().id;
    fleet_.assignments.push_back(assignment);
    return *this;
  }

  Machine& last_machine() { return fleet_.machines.back(); }

  std::shared_ptr<const Fleet> Build() {
    fleet_.Index();
    return std::make_shared<const Fleet>(fleet_);
  }

 private:
  Fleet fleet_;
};

// Histories by machine; a machine without one was never observed, and its agent may still deliver.
class FakeHistoryStore : public HistoryStore {
 public:
  absl::StatusOr<std::vector<MachineHistory>> Load(const Fleet&, std::span<const MachineId> machines,
                                                   const Interval& extent) override {
    if (!status.ok()) return status;
    loaded.push_back(extent);
    std::vector<MachineHistory> out;
    for (const MachineId id : machines) {
      MachineHistory history = histories[id];
      history.machine = id;
      out.push_back(std::move(history));
    }
    return out;
  }

  absl::StatusOr<absl::Time> FirstEventAt(std::span<const MachineId>) override { return first_event_at; }

  std::map<MachineId, MachineHistory> histories;
  absl::Time first_event_at = absl::InfiniteFuture();
  absl::Status status;
  std::vector<Interval> loaded;  // extents asked for
};

class FakeEpochNames : public EpochNames {
 public:
  absl::StatusOr<absl::flat_hash_map<EpochId, std::string>> Find(std::span<const EpochId> epochs) override {
    absl::flat_hash_map<EpochId, std::string> found;
    for (const EpochId epoch : epochs) {
      if (auto name = names.find(epoch); name != names.end()) found[epoch] = name->second;
    }
    return found;
  }

  std::map<EpochId, std::string> names;
};

}  // namespace bayward::testing
