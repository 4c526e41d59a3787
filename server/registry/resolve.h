// Completes a declaration with what it leaves open: when closures were announced and since when agents watch.
// Pure and thread-safe.
#pragma once

#include <map>
#include <string>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/interval.h"
#include "server/registry/declaration.h"

namespace bayward {

// By "site/machine", of every machine ever declared that has one: its latest assignment that has an end.
using EndedAssignments = std::map<std::string, Interval>;

// `wanted` with every recorded_at and assigned_from stated, given what is declared now (itself resolved):
// - a closure keeps its announcement while it begins when it did and does not end later; else it is announced
// at `now`;
// - a machine keeps the assignment to the same agent; a new one begins at `now`, or since ever where nobody
// watched it
//   before.
// InvalidArgument, a line for each, where a stated assigned_from reaches back before the assignment that it
// ends.
absl::StatusOr<Declaration> Resolve(Declaration wanted, const Declaration& current,
                                    const EndedAssignments& ended, absl::Time now);

}  // namespace bayward
