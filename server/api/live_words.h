// Says in words why a machine is in the condition it is shown in. Pure: any thread may call.
#pragma once

#include <string>
#include <vector>

#include "absl/time/time.h"
#include "server/live/live_fleet.h"
#include "server/model/fleet.h"

namespace bayward {

// What the words are about. `machine` and `site` belong to the snapshot's fleet.
struct LiveView {
  const LiveMachine& live;
  const Machine& machine;
  const Site& site;
  bool agent_connected = false;
  absl::Time now;
};

// "air_supply.pressure_low since 14:02 (raw E07); closed for frost since 13:00". Clock times are the site's;
// of another day with the date. "" for a machine that is up with nothing to say of it.
std::string WhyInWords(const LiveView& view);

// The open faults: blocking ones first, then degrading, then advisory; each in the order raised.
std::vector<const Spell*> FaultsInOrder(const LiveMachine& live);

// "14:02", or "2026-08-01 14:02" on another day than `now`, in the site's zone.
std::string SiteClock(const Site& site, absl::Time at, absl::Time now);

}  // namespace bayward
