// Says in plain words what would change between two declarations. Pure and thread-safe.
#pragma once

#include <set>
#include <string>
#include <vector>

#include "server/registry/declaration.h"

namespace bayward {

// One line for each change, "+ …" for what comes, "~ …" for what changes, "- …" for what goes; empty where
// nothing does. Both are resolved and in canonical order. Of machines ("site/machine") in `with_history` that
// go it says that they have one.
std::vector<std::string> DescribeChanges(const Declaration& before, const Declaration& after,
                                         const std::set<std::string>& with_history);

// Machines of `before`, "site/machine", that `after` does not have.
std::vector<std::string> DroppedMachines(const Declaration& before, const Declaration& after);

}  // namespace bayward
