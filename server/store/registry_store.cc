#include "server/store/registry_store.h"

#include <algorithm>
#include <map>
#include <set>
#include <utility>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/registry/changes.h"
#include "server/registry/export.h"
#include "server/registry/resolve.h"
#include "server/store/registry_fleet.h"
#include "server/store/registry_image.h"
#include "server/store/registry_writer.h"

namespace bayward {
namespace {

absl::StatusOr<RegistryImage> ReadImage(Database& database, absl::Time as_of) {
  RegistryImage image;
  BAYWARD_RETURN_IF_ERROR(database.Read("read the declared fleet", [&](pqxx::transaction_base& tx) {
    image = ReadRegistry(tx, as_of);
    return absl::OkStatus();
  }));
  return image;
}

// Those of `machines` of which an event is stored.
std::set<std::string> WithHistory(pqxx::transaction_base& tx, const RegistryImage& image,
                                  const std::vector<std::string>& machines) {
  std::map<int, std::string> names;
  for (const std::string& name : machines) names[image.machines.at(name).value] = name;
  const std::string ids = absl::StrJoin(
      names, ",", [](std::string* out, const auto& entry) { out->append(std::to_string(entry.first)); });
  std::set<std::string> found;
  for (const auto& row : tx.exec(fmt::format(
           "SELECT DISTINCT machine_id FROM machine_state WHERE machine_id = ANY('{{{}}}'::int[])", ids))) {
    found.insert(names[row[0].as<int>()]);
  }
  return found;
}

struct Prepared {
  RegistryImage image;
  Declaration wanted;  // resolved
  absl::Time now;
  std::set<std::string> dropped_with_history;
  std::vector<std::string> changes;
};

absl::StatusOr<Prepared> Prepare(pqxx::transaction_base& tx, const Declaration& declaration, absl::Time now) {
  Prepared prepared;
  prepared.image = ReadRegistry(tx, absl::InfiniteFuture());
  const RegistryImage& image = prepared.image;
  BAYWARD_RETURN_IF_ERROR(CheckAgainst(image, declaration));
  // As the database keeps it, and not before what is already recorded, whatever this host's clock says.
  prepared.now = std::max(absl::FromUnixMicros(absl::ToUnixMicros(now)), image.last_recorded_at);
  BAYWARD_ASSIGN_OR_RETURN(prepared.wanted, Resolve(declaration, image.declared, image.ended, prepared.now));
  prepared.dropped_with_history = WithHistory(tx, image, DroppedMachines(image.declared, prepared.wanted));
  prepared.changes = DescribeChanges(image.declared, prepared.wanted, prepared.dropped_with_history);
  return prepared;
}

void Record(pqxx::transaction_base& tx, const Prepared& prepared, std::int64_t version) {
  WriteRegistry(tx, prepared.image, prepared.wanted, prepared.now);
  tx.exec(fmt::format("UPDATE fleet SET version = {}, demonstration = {}", version,
                      prepared.wanted.demonstration));
  tx.exec_params(
      "INSERT INTO declaration (version, recorded_at, demonstration, changes) VALUES ($1, $2, $3, $4)",
      version, ToTimestamptz(prepared.now), prepared.wanted.demonstration,
      absl::StrJoin(prepared.changes, "\n"));
}

}  // namespace

absl::StatusOr<std::shared_ptr<const Fleet>> RegistryStore::Load(absl::Time as_of) {
  BAYWARD_ASSIGN_OR_RETURN(const RegistryImage image, ReadImage(database_, as_of));
  return BuildFleet(image);
}

absl::StatusOr<std::int64_t> RegistryStore::Version() {
  std::int64_t version = 0;
  BAYWARD_RETURN_IF_ERROR(database_.Read("read the fleet's version", [&](pqxx::transaction_base& tx) {
    version = tx.exec1("SELECT version FROM fleet")[0].as<std::int64_t>();
    return absl::OkStatus();
  }));
  return version;
}

absl::StatusOr<ApplyOutcome> RegistryStore::Apply(const Declaration& declaration,
                                                  const ApplyOptions& options) {
  ApplyOutcome outcome;
  if (!options.apply) {
    BAYWARD_RETURN_IF_ERROR(
        database_.Read("compare a declaration", [&](pqxx::transaction_base& tx) -> absl::Status {
          BAYWARD_ASSIGN_OR_RETURN(Prepared prepared, Prepare(tx, declaration, options.now));
          outcome = {std::move(prepared.changes), false, prepared.image.version};
          return absl::OkStatus();
        }));
    return outcome;
  }
  BAYWARD_RETURN_IF_ERROR(
      database_.Write("apply a declaration", [&](pqxx::transaction_base& tx) -> absl::Status {
        // One after the other; what follows sees what the one before committed.
        tx.exec("SELECT 1 FROM fleet FOR UPDATE");
        BAYWARD_ASSIGN_OR_RETURN(Prepared prepared, Prepare(tx, declaration, options.now));
        if (!options.allow_drop && !prepared.dropped_with_history.empty()) {
          return FailedPrecondition(
              "machines with history would be dropped: {}. Declare them with retired_at to keep them "
              "in reports, or allow the drop",
              absl::StrJoin(prepared.dropped_with_history, ", "));
        }
        std::int64_t version = prepared.image.version;
        const bool any = !prepared.changes.empty();
        if (any) Record(tx, prepared, ++version);
        outcome = {std::move(prepared.changes), any, version};
        return absl::OkStatus();
      }));
  return outcome;
}

absl::StatusOr<std::string> RegistryStore::Export(absl::Time as_of) {
  BAYWARD_ASSIGN_OR_RETURN(const RegistryImage image, ReadImage(database_, as_of));
  return WriteDeclaration(image.declared);
}

absl::StatusOr<SiteTerms> RegistryStore::LoadTerms(absl::Time as_of) {
  BAYWARD_ASSIGN_OR_RETURN(const RegistryImage image, ReadImage(database_, as_of));
  SiteTerms terms;
  for (const DeclaredSite& site : image.declared.sites) {
    const SiteId id = image.sites.at(site.key);
    for (const DeclaredPrice& p : site.prices)
      terms.prices.push_back({id, p.programme, p.valid_from, p.price_e4});
    for (const DeclaredTarget& t : site.targets) terms.targets.push_back({id, t.valid_from, t.availability});
  }
  const auto by_site = [](const auto& a, const auto& b) { return a.site < b.site; };
  std::stable_sort(terms.prices.begin(), terms.prices.end(), by_site);
  std::stable_sort(terms.targets.begin(), terms.targets.end(), by_site);
  return terms;
}

absl::StatusOr<std::vector<SettlementRecord>> RegistryStore::LoadSettlements(MachineId machine,
                                                                             absl::Time as_of) {
  std::vector<SettlementRecord> records;
  BAYWARD_RETURN_IF_ERROR(database_.Read("read settlements", [&](pqxx::transaction_base& tx) {
    records.clear();
    const auto time = [](const pqxx::field& field) { return FromMicros(field.as<std::int64_t>()); };
    for (const auto& row :
         tx.exec(fmt::format("SELECT settlement_id, {}, {}, as_condition, {}, settled_by, reason FROM "
                             "settlement WHERE machine_id = {} "
                             "AND recorded_at <= '{}' ORDER BY recorded_at, settlement_id",
                             MicrosOf("from_at"), MicrosOf("to_at"), MicrosOf("recorded_at"), machine.value,
                             ToTimestamptz(as_of)))) {
      const auto condition = static_cast<Condition>(row[3].as<int>());
      records.push_back({row[0].as<std::int64_t>(),
                         machine,
                         {{time(row[1]), time(row[2])}, condition, time(row[4])},
                         row[5].c_str(),
                         row[6].c_str()});
    }
    return absl::OkStatus();
  }));
  return records;
}

}  // namespace bayward
