#include "server/self_checks.h"

#include <string>
#include <utility>
#include <vector>

#include "absl/time/clock.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/store/migrations.h"
#include "server/store/upkeep.h"

namespace bayward {
namespace {

using Checks = std::vector<DiagnosisCheck>;

DiagnosisCheck Check(std::string name, DiagnosisCheck::Verdict verdict, std::string found, std::string advice) {
  DiagnosisCheck check;
  check.set_name(std::move(name));
  check.set_verdict(verdict);
  check.set_found(std::move(found));
  if (verdict != DiagnosisCheck::VERDICT_GOOD) check.set_advice(std::move(advice));
  return check;
}

Checks CheckSchema(Database& database) {
  const absl::StatusOr<int> version = SchemaVersion(database);
  if (!version.ok()) {
    return {Check("database", DiagnosisCheck::VERDICT_BAD, std::string(Message(version.status())),
                  "See whether PostgreSQL runs and the connection string is right.")};
  }
  const int known = static_cast<int>(EmbeddedMigrations().size());
  return {Check("schema", *version <= known ? DiagnosisCheck::VERDICT_GOOD : DiagnosisCheck::VERDICT_LOOK,
                fmt::format("version {}, this server knows {}", *version, known),
                "A newer server has been here: update this one.")};
}

Checks CheckPartitions(Database& database) {
  const absl::StatusOr<absl::Time> reach = PartitionsReach(database);
  if (!reach.ok()) return {};
  const double days = absl::ToDoubleHours(*reach - absl::Now()) / 24;
  const auto verdict = days >= 7   ? DiagnosisCheck::VERDICT_GOOD
                       : days >= 1 ? DiagnosisCheck::VERDICT_LOOK
                                   : DiagnosisCheck::VERDICT_BAD;
  return {Check("partitions", verdict, fmt::format("made {:.0f} days ahead", days),
                "Upkeep does not get through: the server's log says why.")};
}

Checks CheckDisk(const Housekeeping& housekeeping) {
  const DiskSpace disk = housekeeping.disk();
  const double share = disk.total_bytes == 0 ? 1 : static_cast<double>(disk.free_bytes) / static_cast<double>(disk.total_bytes);
  return {Check("disk", disk.enough ? DiagnosisCheck::VERDICT_GOOD : DiagnosisCheck::VERDICT_BAD,
                fmt::format("{:.1f} GiB free, {:.0f} %", static_cast<double>(disk.free_bytes) / (1 << 30), share * 100),
                "No events are taken in; agents keep theirs. Make room.")};
}

Checks CheckUpkeep(const Housekeeping& housekeeping) {
  const std::string trouble = housekeeping.trouble();
  return {Check("upkeep", trouble.empty() ? DiagnosisCheck::VERDICT_GOOD : DiagnosisCheck::VERDICT_BAD,
                trouble.empty() ? "done" : trouble, "It is tried again every half hour; the server's log says more.")};
}

Checks CheckLedger(Database& database) {
  const absl::StatusOr<std::vector<std::string>> faults = CheckAccounts(database);
  if (!faults.ok()) return {};
  return {Check("accounts", faults->empty() ? DiagnosisCheck::VERDICT_GOOD : DiagnosisCheck::VERDICT_BAD,
                faults->empty() ? "every event acknowledged is accounted for" : faults->front(),
                "Events are missing or double: keep the database as it is and report this.")};
}

}  // namespace

Diagnostics MakeSelfChecks(const ServerConfig& config, Database& database, const Housekeeping& housekeeping) {
  Diagnostics diagnostics;
  diagnostics.checks = {[&database] { return CheckSchema(database); }, [&database] { return CheckPartitions(database); },
                        [&housekeeping] { return CheckDisk(housekeeping); },
                        [&housekeeping] { return CheckUpkeep(housekeeping); },
                        [&database] { return CheckLedger(database); }};
  diagnostics.schema_version = [&database]() -> std::uint32_t {
    const absl::StatusOr<int> version = SchemaVersion(database);
    return version.ok() ? static_cast<std::uint32_t>(*version) : 0;
  };
  diagnostics.configuration = [&config] { return config.printed; };
  return diagnostics;
}

}  // namespace bayward
