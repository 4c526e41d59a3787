// Reads the files of one declaration together and checks everything that can be known without the database.
// Pure and thread-safe.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "server/registry/declaration.h"

namespace bayward {

// The declaration in canonical order, or InvalidArgument whose message has one line for each fault in any of
// the files: "fleet.toml:12: what was expected, what was found".
absl::StatusOr<Declaration> ParseDeclaration(std::span<const DeclarationFile> files);

}  // namespace bayward
