#include "agent/spool/spool_file.h"

#include <system_error>
#include <utility>

#include "absl/strings/str_replace.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr int kFormat = 1;
constexpr std::int64_t kPageBytes = 4096;

constexpr char kSchema[] = R"(
BEGIN IMMEDIATE;
CREATE TABLE entry (place INTEGER PRIMARY KEY, last INTEGER, rank INTEGER NOT NULL,
                    written_s INTEGER NOT NULL, event BLOB NOT NULL);
CREATE TABLE epoch (number INTEGER PRIMARY KEY, id BLOB NOT NULL, predecessor BLOB NOT NULL,
                    boot BLOB NOT NULL, acknowledged INTEGER NOT NULL DEFAULT 0, told INTEGER NOT NULL DEFAULT 0);
CREATE TABLE machine (name TEXT PRIMARY KEY, state BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE mark (source TEXT PRIMARY KEY, mark TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE meta (only INTEGER PRIMARY KEY CHECK (only = 1), alive_us INTEGER, rehearsed_us INTEGER,
                   delivered_us INTEGER, dropped INTEGER NOT NULL DEFAULT 0);
INSERT INTO meta (only) VALUES (1);
PRAGMA user_version = 1;
COMMIT;
)";

absl::Status Configure(SqliteDb& db, const SpoolFileOptions& options) {
  BAYWARD_RETURN_IF_ERROR(db.Run("PRAGMA page_size = 4096"));
  // Small caches: one process may host many agents.
  BAYWARD_ASSIGN_OR_RETURN(const std::string mode, db.Text("PRAGMA journal_mode = WAL"));
  if (mode != "wal") {
    return FailedPrecondition(
        "spool: {}: expected a file system that can do SQLite's WAL, found journal mode {}",
        options.path.string(), mode);
  }
  BAYWARD_RETURN_IF_ERROR(db.Run(
      "PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 256; PRAGMA journal_size_limit = 1048576;"
      "PRAGMA cache_size = -256; PRAGMA temp_store = MEMORY; PRAGMA mmap_size = 0;"));
  const auto pages = static_cast<std::int64_t>(options.bytes_max) / kPageBytes;
  return db.Integer(fmt::format("PRAGMA max_page_count = {}", pages)).status();
}

absl::Status CheckOrCreate(SqliteDb& db, const SpoolFileOptions& options) {
  BAYWARD_ASSIGN_OR_RETURN(const std::int64_t format, db.Integer("PRAGMA user_version"));
  BAYWARD_ASSIGN_OR_RETURN(const std::int64_t tables, db.Integer("SELECT count(*) FROM sqlite_schema"));
  if (format == 0 && tables == 0) {
    if (options.expected) return MakeStatus(absl::StatusCode::kDataLoss, "the file was empty or gone");
    return db.Run(kSchema);
  }
  if (format > kFormat) {
    return FailedPrecondition(
        "spool: {} has format {}, expected {}: it was written by a later version; run that one, or move the "
        "file away",
        options.path.string(), format, kFormat);
  }
  BAYWARD_ASSIGN_OR_RETURN(const std::string verdict, db.Text("PRAGMA quick_check(1)"));
  if (verdict != "ok") return MakeStatus(absl::StatusCode::kDataLoss, verdict);
  return absl::OkStatus();
}

std::optional<absl::Time> TimeAt(SqliteStatement& row, int column) {
  if (row.IsNull(column)) return std::nullopt;
  return absl::FromUnixMicros(row.Integer(column));
}

// Reads as much as it can; what follows a damaged place is left out.
SpoolFound ReadFound(SqliteDb& db) {
  SpoolFound found;
  SqliteStatement meta(db.handle(), "SELECT alive_us, rehearsed_us, delivered_us FROM meta");
  if (const auto row = meta.Step(); row.ok() && *row) {
    found.alive = {TimeAt(meta, 0), TimeAt(meta, 1), TimeAt(meta, 2)};
  }
  SqliteStatement machines(db.handle(), "SELECT name, state FROM machine");
  for (auto row = machines.Step(); row.ok() && *row; row = machines.Step()) {
    found.states[std::string(machines.Blob(0))] = std::string(machines.Blob(1));
  }
  return found;
}

struct Salvaged {
  SpoolFound found;
  std::map<std::string, std::string> marks;
  std::int64_t dropped = 0;
};

Salvaged Salvage(const SpoolFileOptions& options) {
  Salvaged salvaged;
  auto db = SqliteDb::Open(options.path, options.vfs, false);
  if (!db.ok()) return salvaged;
  salvaged.found = ReadFound(**db);
  salvaged.dropped = (*db)->Integer("SELECT dropped FROM meta").value_or(0);
  SqliteStatement marks((*db)->handle(), "SELECT source, mark FROM mark");
  for (auto row = marks.Step(); row.ok() && *row; row = marks.Step()) {
    salvaged.marks[std::string(marks.Blob(0))] = std::string(marks.Blob(1));
  }
  return salvaged;
}

absl::Status PutAside(const std::filesystem::path& path, absl::Time now, std::string& aside) {
  aside = fmt::format("{}.damaged-{}", path.string(),
                      absl::FormatTime("%Y%m%dT%H%M%E3SZ", now, absl::UTCTimeZone()));
  for (const char* part : {"", "-wal", "-shm"}) {
    std::error_code error;
    const std::filesystem::path from = path.string() + part;
    if (!std::filesystem::exists(from, error)) continue;
    std::filesystem::rename(from, aside + part, error);
    if (error) {
      return FailedPrecondition("spool: {} is damaged and cannot be put aside: {}", from.string(),
                                error.message());
    }
  }
  return absl::OkStatus();
}

absl::StatusOr<SpoolFile> OpenChecked(const SpoolFileOptions& options) {
  SpoolFile file;
  BAYWARD_ASSIGN_OR_RETURN(file.db, SqliteDb::Open(options.path, options.vfs, false));
  BAYWARD_RETURN_IF_ERROR(Configure(*file.db, options));
  BAYWARD_RETURN_IF_ERROR(CheckOrCreate(*file.db, options));
  file.found = ReadFound(*file.db);
  return file;
}

absl::Status KeepSalvaged(SqliteDb& db, const Salvaged& salvaged) {
  BAYWARD_RETURN_IF_ERROR(db.Run("BEGIN IMMEDIATE"));
  SqliteStatement mark(db.handle(), "INSERT INTO mark (source, mark) VALUES (?1, ?2)");
  for (const auto& [source, text] : salvaged.marks) {
    BAYWARD_RETURN_IF_ERROR(mark.BindText(1, source).BindText(2, text).Run());
  }
  SqliteStatement dropped(db.handle(), "UPDATE meta SET dropped = ?1");
  BAYWARD_RETURN_IF_ERROR(dropped.Bind(1, salvaged.dropped).Run());
  return db.Run("COMMIT");
}

}  // namespace

absl::StatusOr<SpoolFile> ReplaceSpoolFile(const SpoolFileOptions& options, std::string_view damage,
                                           absl::Time now) {
  const Salvaged salvaged = Salvage(options);
  std::string aside;
  BAYWARD_RETURN_IF_ERROR(PutAside(options.path, now, aside));
  spdlog::error("spool: {} was damaged ({}) and put aside as {}; recording goes on in a new one",
                options.path.string(), damage, aside);
  SpoolFileOptions anew = options;
  anew.expected = false;
  BAYWARD_ASSIGN_OR_RETURN(SpoolFile file, OpenChecked(anew));
  BAYWARD_RETURN_IF_ERROR(KeepSalvaged(*file.db, salvaged));
  file.found = salvaged.found;
  file.found.damage = fmt::format("{}; put aside as {}", damage, aside);
  return file;
}

absl::StatusOr<SpoolFile> OpenSpoolFile(const SpoolFileOptions& options, absl::Time now) {
  auto file = OpenChecked(options);
  if (!absl::IsDataLoss(file.status())) return file;
  const std::string damage = absl::StrReplaceAll(std::string(Message(file.status())), {{"\n", " "}});
  return ReplaceSpoolFile(options, damage, now);
}

}  // namespace bayward
