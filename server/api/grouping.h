// Puts machines into the groups that a figure is asked by. Pure: any thread may call.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "bayward/v1/figures.pb.h"
#include "server/model/fleet.h"

namespace bayward {

// The grouping, `fallback` where none is given. InvalidArgument for a number that the interface does not
// have.
absl::StatusOr<v1::Grouping> GroupingOr(v1::Grouping asked, v1::Grouping fallback);

// The name of the group that a machine is in: "fleet", its region, its site's key, its kind, or its full
// name.
std::string GroupOf(v1::Grouping grouping, const Site& site, const Machine& machine);

}  // namespace bayward
