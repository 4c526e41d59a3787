// Opens the spool's SQLite file, and puts a damaged one aside. Not thread-safe.
//
//   entry    place = epoch number << 40 | sequence; last: NULL, or a tombstone's last sequence; rank:
//   EventRank;
//            written_s: when it was written; event: bayward.v1.Event
//   epoch    number, id, predecessor, boot, acknowledged; told: a server has heard of it
//   machine  what holds there, for the next process
//   mark     how far a source has got
//   meta     one row: AliveUntil, and how many events were dropped
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "agent/spool/spool.h"
#include "agent/spool/sqlite.h"

namespace bayward {

struct SpoolFileOptions {
  std::filesystem::path path;
  std::uint64_t bytes_max = 0;  // SQLite gives SQLITE_FULL beyond it
  const char* vfs = nullptr;
  bool expected = false;  // there has been a spool before: an empty or missing file is damage
};

struct SpoolFile {
  std::unique_ptr<SqliteDb> db;
  SpoolFound found;
};

// A damaged file is renamed to *.damaged-<UTC time> with its journal, and what can be read of its alive time,
// machines and marks goes to the new one. FailedPrecondition where the file cannot be used at all: no rights,
// or written by a later version.
absl::StatusOr<SpoolFile> OpenSpoolFile(const SpoolFileOptions& options, absl::Time now);

// The same for a file that is known to be damaged; it must not be open.
absl::StatusOr<SpoolFile> ReplaceSpoolFile(const SpoolFileOptions& options, std::string_view damage,
                                           absl::Time now);

}  // namespace bayward
