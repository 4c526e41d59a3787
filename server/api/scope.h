// Which sites and machines a request's scope names. Pure: any thread may call.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "absl/status/statusor.h"
#include "bayward/v1/fleet.pb.h"
#include "server/model/fleet.h"

namespace bayward {

// Points into the fleet it was resolved against.
struct Selection {
  std::vector<const Machine*> machines;  // by full name
  // By key: those of a selected machine, and where the scope names neither machines nor kinds also those
  // without any.
  std::vector<const Site*> sites;
};

// Every non-empty list narrows, so the selection may be empty. NotFound for a region, site, machine or kind
// that nothing in the fleet has; the message names the nearest one there is.
absl::StatusOr<Selection> ResolveScope(const Fleet& fleet, const v1::Scope& scope);

// In double quotes, control characters escaped, cut to a readable length: for messages that repeat what a
// caller sent.
std::string Quoted(std::string_view text);

}  // namespace bayward
