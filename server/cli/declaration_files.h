// Reads the declaration files that a fleet command names. For one thread.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "bayward/v1/fleet.pb.h"

namespace bayward::cli {

// Of a folder its *.toml files in order of name, not those of folders in it. NotFound for what is not there
// or a folder without such files; Internal for what cannot be read.
absl::StatusOr<v1::DeclareFleetRequest> ReadDeclarationFiles(const std::vector<std::string>& paths);

}  // namespace bayward::cli
