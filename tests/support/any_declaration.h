// Invents declarations for property tests. Only within a rapidcheck property.
#pragma once

#include "server/registry/declaration.h"

namespace bayward::testing {

// Valid, resolved and in canonical order. Predecessors are at a site that is not in it.
Declaration AnyDeclaration();

}  // namespace bayward::testing
