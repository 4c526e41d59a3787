// Writes a declaration as a TOML file that declares the same fleet again. Pure and thread-safe.
#pragma once

#include <string>

#include "server/registry/declaration.h"

namespace bayward {

// ParseDeclaration of the text gives `declaration` again, except for `where`.
std::string WriteDeclaration(const Declaration& declaration);

}  // namespace bayward
