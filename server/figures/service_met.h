// What customers met: how long all of a machine worked and what was missing of it, whether any bay of a site could
// wash, and which washes were sold though the machine could not deliver all of them. Pure: any thread may compute.
#pragma once

#include <compare>
#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/history.h"
#include "server/model/interval.h"

namespace bayward {

using CapabilityNumber = std::int32_t;  // bayward.v1.Capability
inline constexpr CapabilityNumber kWashCapability = 1;

// What faults take away and programmes need. A class or programme that is not in a table takes away nothing and needs
// a wash only.
struct CapabilityTables {
  absl::flat_hash_map<FaultClassNumber, std::vector<CapabilityNumber>> removed_by;
  absl::flat_hash_map<std::string, std::vector<CapabilityNumber>> needed_by;  // by programme, of one site
};

struct CapabilityTime {
  absl::Duration observed;  // up, degraded or down
  absl::Duration missing;   // of it
};

// Adds up over machines and over windows that abut.
struct ServiceMet {
  absl::Duration up;  // without degraded
  absl::Duration degraded;
  absl::Duration down;
  std::map<CapabilityNumber, CapabilityTime> capabilities;  // of machines that wash

  absl::Duration observed() const { return up + degraded + down; }
  // up/(up + degraded + down); absent where nothing was observed.
  std::optional<double> FullService() const;
  ServiceMet& operator+=(const ServiceMet& other);
};

// Whether a wash is on record: it is a bay, not shared plant.
bool Washes(const MachineTimeline& machine);

// Required time of one machine. While it is down every capability is missing; while it is degraded, those that the
// active degrading classes remove, save the wash itself: a degraded machine washes. A class that the code book calls
// advisory removes nothing. Capabilities looked at: the wash, what the programmes on record here need, what was
// removed in the window; none on a machine without a wash on record.
ServiceMet ComputeServiceMet(const MachineTimeline& machine, const Interval& window, const CapabilityTables& tables);

// The bays of one site together, over the instants at which at least one bay is required. A bay could wash while it
// is up or degraded; down and withheld it could not; one that is not required at an instant plays no part at it.
struct SiteBays {
  int bays = 0;
  absl::Duration observed;  // no required bay's condition is unknown
  absl::Duration any;       // of it, at least one required bay could wash
  absl::Duration all;       // of it, every required bay could
  absl::Duration unknown;   // left out: some required bay's condition is not known

  std::optional<double> AnyBay() const;  // absent where nothing was observed
  std::optional<double> AllBays() const;
};
// `bays`: each bay's conditions (MachineTimeline::conditions).
SiteBays ComputeSiteBays(std::span<const std::vector<ConditionSpan>* const> bays, const Interval& window);

struct MissingNeed {
  std::string programme;
  CapabilityNumber capability = 0;
  auto operator<=>(const MissingNeed&) const = default;
};
struct SoldWashes {
  int sold = 0;             // to customers or members, begun in the window
  int start_not_known = 0;  // finished in the window: nobody can say what was missing at their start
  int not_deliverable = 0;  // of sold: something that the programme needs was missing
  std::map<MissingNeed, int> missing;  // a wash that missed two things is in both

  SoldWashes& operator+=(const SoldWashes& other);
};
// At the start of each sold wash, what its programme needs and an active degrading class removes, as above.
SoldWashes CountSoldWashes(const MachineTimeline& machine, const Interval& window, const CapabilityTables& tables);

}  // namespace bayward
