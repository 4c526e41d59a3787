// The database's schema, embedded in the program: numbered SQL files, forward only, each applied once in one
// transaction. Call from one thread.
#pragma once

#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "server/store/database.h"

namespace bayward {

struct Migration {
  std::string file;  // "0002_events.sql"
  std::string sql;
};

// By number, ascending from 1 without gaps.
const std::vector<Migration>& EmbeddedMigrations();

// Brings the schema up to the newest embedded migration. Several servers may call it at once: an advisory lock lets one
// work. FailedPrecondition, with nothing changed, where an applied migration's text differs from the embedded one, or
// where the schema is newer than this program and asks for a newer server (its min_server).
absl::Status Migrate(Database& database);

// Number of the newest applied migration, 0 for an empty database.
absl::StatusOr<int> SchemaVersion(Database& database);

}  // namespace bayward
