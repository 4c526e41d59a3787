// Checks of a declaration across its sites and files. Pure and thread-safe.
#pragma once

#include <string>
#include <vector>

#include "server/registry/declaration.h"

namespace bayward {

// Appends a fault for each thing stated at two sites, and for each predecessor that cannot be one. Sites need
// not be sorted. Predecessors that are not declared any more are left to the database.
void CheckAcrossSites(const std::vector<DeclaredSite>& sites, std::vector<std::string>& faults);

}  // namespace bayward
