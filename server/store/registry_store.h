// Keeps the declared fleet in the database: every change is a new version of a row, so that what was declared
// at any earlier instant can be read again. Thread-safe; several servers may apply declarations at once, one
// after the other.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/fleet.h"
#include "server/model/history.h"
#include "server/registry/declaration.h"
#include "server/store/database.h"

namespace bayward {

struct ApplyOptions {
  bool apply = false;       // false: only say what would change
  bool allow_drop = false;  // machines with history may be dropped
  absl::Time now;  // when the changes are recorded, and when a machine passes to another agent unless stated
};

struct ApplyOutcome {
  std::vector<std::string> changes;  // one line each: "+ machine …", "~ hours …", "- closure …"
  bool applied = false;              // changes were made
  std::int64_t version = 0;          // of the fleet afterwards
};

// What a wash costs at a site from a site-local date until the next row of the same site and programme.
struct SitePrice {
  SiteId site;
  std::string programme;
  absl::CivilDay valid_from;
  std::int64_t price_e4 = 0;  // ten-thousandths of the site's currency
};

// What was promised to the owner from a site-local date until the site's next row.
struct SiteTarget {
  SiteId site;
  absl::CivilDay valid_from;
  double availability = 0;  // in [0, 1]
};

struct SiteTerms {
  std::vector<SitePrice> prices;    // by site, programme, date
  std::vector<SiteTarget> targets;  // by site, date
};

// A settlement with who made it and why.
struct SettlementRecord {
  std::int64_t id = 0;
  MachineId machine;
  Settlement settlement;
  std::string settled_by;
  std::string reason;
};

class RegistryStore {
 public:
  explicit RegistryStore(Database& database) : database_(database) {}

  // The fleet as it was declared at `as_of`, calendars built. A machine's assignments include those that have
  // ended, also to agents that are not declared any more. FailedPrecondition where this host's time zone
  // database lacks a declared zone; Unavailable where the database does not answer.
  absl::StatusOr<std::shared_ptr<const Fleet>> Load(absl::Time as_of = absl::InfiniteFuture());

  // Grows with every declaration that changes something; 0 where nothing was ever declared. Cheap enough to
  // poll.
  absl::StatusOr<std::int64_t> Version();

  // Makes `declaration` the whole declared fleet, in one transaction; nothing is recorded where nothing
  // changes. What is not in it is dropped, and stays readable by `as_of`. FailedPrecondition, with nothing
  // changed, where a machine with history would be dropped without allow_drop (only when applying);
  // InvalidArgument for what contradicts the database: an agent moved to another site, an unknown
  // predecessor, a hand-over before the assignment that it ends.
  absl::StatusOr<ApplyOutcome> Apply(const Declaration& declaration, const ApplyOptions& options);

  // TOML of what was declared at `as_of`; of now, Apply takes it without a change.
  absl::StatusOr<std::string> Export(absl::Time as_of = absl::InfiniteFuture());

  absl::StatusOr<SiteTerms> LoadTerms(absl::Time as_of = absl::InfiniteFuture());

  // By instant of recording.
  absl::StatusOr<std::vector<SettlementRecord>> LoadSettlements(MachineId machine,
                                                                absl::Time as_of = absl::InfiniteFuture());

 private:
  Database& database_;
};

}  // namespace bayward
