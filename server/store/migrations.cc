#include "server/store/migrations.h"

#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <tuple>

#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr char kMinServerMark[] = "-- min_server: ";
constexpr std::int64_t kAdvisoryLock = 0x6261797761726421;  // "bayward!"

int NumberOf(const Migration& migration) { return std::atoi(migration.file.c_str()); }

// 64-bit FNV-1a: tells an edited file from an untouched one, no more.
std::string Checksum(const std::string& text) {
  std::uint64_t hash = 14695981039346656037u;
  for (const char c : text) hash = (hash ^ static_cast<unsigned char>(c)) * 1099511628211u;
  return fmt::format("{:016x}", hash);
}

std::string MinServer(const std::string& sql) {
  const std::size_t at = sql.find(kMinServerMark);
  if (at == std::string::npos) return BAYWARD_VERSION;
  const std::size_t from = at + sizeof(kMinServerMark) - 1;
  return sql.substr(from, sql.find('\n', from) - from);
}

std::tuple<int, int, int> ParseVersion(const std::string& version) {
  int major = 0, minor = 0, patch = 0;
  std::sscanf(version.c_str(), "%d.%d.%d", &major, &minor, &patch);
  return {major, minor, patch};
}

struct Applied {
  std::string file;
  std::string checksum;
  std::string min_server;
};

absl::Status CheckApplied(const std::map<int, Applied>& applied) {
  const auto& embedded = EmbeddedMigrations();
  for (const auto& [number, row] : applied) {
    if (number > static_cast<int>(embedded.size())) {
      if (ParseVersion(row.min_server) > ParseVersion(BAYWARD_VERSION)) {
        return FailedPrecondition(
            "the database's schema has step {} ({}), which asks for a server of version {} or later; this one is {}. "
            "Start a newer bayward-server, or restore the database from before the upgrade.",
            number, row.file, row.min_server, BAYWARD_VERSION);
      }
      continue;
    }
    if (row.checksum != Checksum(embedded[static_cast<std::size_t>(number - 1)].sql)) {
      return FailedPrecondition("schema step {} ({}) was applied with another text than this program carries: the "
                                "database belongs to a different build; nothing was changed", number, row.file);
    }
  }
  return absl::OkStatus();
}

absl::Status ApplyMissing(pqxx::transaction_base& tx) {
  tx.exec(fmt::format("SELECT pg_advisory_xact_lock({})", kAdvisoryLock));
  tx.exec("CREATE TABLE IF NOT EXISTS schema_migration (number integer PRIMARY KEY, file text NOT NULL, "
          "checksum text NOT NULL, min_server text NOT NULL, applied_at timestamptz NOT NULL DEFAULT now())");
  std::map<int, Applied> applied;
  for (const auto& row : tx.exec("SELECT number, file, checksum, min_server FROM schema_migration")) {
    applied[row[0].as<int>()] = {row[1].c_str(), row[2].c_str(), row[3].c_str()};
  }
  BAYWARD_RETURN_IF_ERROR(CheckApplied(applied));
  for (const Migration& migration : EmbeddedMigrations()) {
    if (applied.contains(NumberOf(migration))) continue;
    spdlog::info("applying schema step {}", migration.file);
    tx.exec(migration.sql);
    tx.exec_params("INSERT INTO schema_migration (number, file, checksum, min_server) VALUES ($1, $2, $3, $4)",
                   NumberOf(migration), migration.file, Checksum(migration.sql), MinServer(migration.sql));
  }
  return absl::OkStatus();
}

}  // namespace

absl::Status Migrate(Database& database) { return database.Write("update the schema", ApplyMissing); }

absl::StatusOr<int> SchemaVersion(Database& database) {
  int version = 0;
  BAYWARD_RETURN_IF_ERROR(database.Read("read the schema version", [&](pqxx::transaction_base& tx) {
    const auto exists = tx.exec1("SELECT to_regclass('schema_migration') IS NOT NULL");
    if (exists[0].as<bool>()) version = tx.exec1("SELECT coalesce(max(number), 0) FROM schema_migration")[0].as<int>();
    return absl::OkStatus();
  }));
  return version;
}

}  // namespace bayward
