// Holds: raw events of a machine that somebody asked to keep beyond retention. Thread-safe.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/ids.h"
#include "server/model/interval.h"
#include "server/store/database.h"
#include "server/store/event_store.h"

namespace bayward {

// After a release the copies stay so long, so that one given by mistake can be followed by a new hold.
inline constexpr absl::Duration kReleasedKept = absl::Hours(24 * 30);

struct Hold {
  std::uint64_t id = 0;
  MachineId machine;
  Interval interval;
  std::string by;
  std::string reason;
  std::string reference;
  absl::Time recorded_at;
  absl::Time released_at = absl::InfiniteFuture();  // InfiniteFuture: held
  std::uint64_t events = 0;                         // kept by it now
};

struct NewHold {
  SiteId site;
  EventQuery events;  // its machine and stretch are the hold's
  std::string by;
  std::string reason;
  std::string reference;
};

class HoldStore {
 public:
  virtual ~HoldStore() = default;

  // Copies the events that are there; ones delivered later are added before their partition goes. The hold's number
  // and how many it keeps.
  virtual absl::StatusOr<Hold> Add(const NewHold& hold) = 0;
  // NotFound where there is none of that number, FailedPrecondition where it was released before. As it is then.
  virtual absl::StatusOr<Hold> Release(std::uint64_t id, const std::string& by, const std::string& reason) = 0;
  // Newest first, released ones included.
  virtual absl::StatusOr<std::vector<Hold>> List(std::span<const MachineId> machines) = 0;
};

class PostgresHoldStore : public HoldStore {
 public:
  explicit PostgresHoldStore(Database& database) : database_(database) {}
  absl::StatusOr<Hold> Add(const NewHold& hold) override;
  absl::StatusOr<Hold> Release(std::uint64_t id, const std::string& by, const std::string& reason) override;
  absl::StatusOr<std::vector<Hold>> List(std::span<const MachineId> machines) override;

 private:
  Database& database_;
};

// For retention. Copies what holds still lack of `partition`, which is about to be dropped. Throws what pqxx throws.
void KeepHeld(pqxx::transaction_base& tx, const std::string& partition);
// Removes the copies of holds released over kReleasedKept ago.
absl::Status ForgetReleased(Database& database, absl::Time now);

}  // namespace bayward
