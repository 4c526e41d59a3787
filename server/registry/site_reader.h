// Reads one [[site]] of a declaration and checks what can be seen within it. Pure and thread-safe.
#pragma once

#include "server/registry/declaration.h"
#include "server/registry/declaration_table.h"

namespace bayward {

// In canonical order; what is at fault is left out or has its default.
DeclaredSite ReadSite(DeclarationTable& table);

}  // namespace bayward
