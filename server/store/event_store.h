// Reads raw events of one machine as they were delivered, from the partitions of their receipt and from what holds
// keep. Thread-safe.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/ids.h"
#include "server/model/interval.h"
#include "server/store/database.h"

namespace bayward {

struct StoredEvent {
  absl::Time received_at;
  absl::Time occurred_at;
  absl::Time effective_at;
  EventRef ref;
  AgentId agent;
  std::int16_t kind = 0;  // field number in bayward.v1.Event.what
  bool rehearsal = false;
  std::string payload;
};

struct EventQuery {
  MachineId machine;
  Interval effective;  // by effective_at
  // Who may have recorded in it: the machine's assignments that touch it, and their agents. From what they delivered
  // later it is known up to when the events can have been received; without any, nothing bounds that.
  std::vector<std::int32_t> assignments = {};
  std::vector<AgentId> agents = {};
  bool rehearsal = false;  // rehearsed ones too
};

// Events an agent had to drop, or the server lost: of any of its machines.
struct MissingEvents {
  Interval stretch;
  std::uint64_t events = 0;
  bool lost_by_server = false;
  std::string reason;
};

struct FoundEvents {
  std::vector<StoredEvent> rows;  // each agent's in (epoch, sequence) order, agents by their first
  std::uint64_t left_out = 0;     // more there are
  // UTC days of receipt of which the agents' events are past their retention and gone, but for what holds keep.
  std::vector<absl::CivilDay> days_dropped;
  std::vector<MissingEvents> missing;
};

class EventStore {
 public:
  virtual ~EventStore() = default;

  // The first `rows_max` of them, each once. Reads only partitions in which they can be.
  virtual absl::StatusOr<FoundEvents> Find(const EventQuery& query, std::size_t rows_max) = 0;

  // Beginnings and ends of a machine's washes that holds keep, each once, in (epoch, sequence) order.
  virtual absl::StatusOr<std::vector<StoredEvent>> HeldWashEvents(MachineId machine) = 0;
};

class PostgresEventStore : public EventStore {
 public:
  explicit PostgresEventStore(Database& database) : database_(database) {}
  absl::StatusOr<FoundEvents> Find(const EventQuery& query, std::size_t rows_max) override;
  absl::StatusOr<std::vector<StoredEvent>> HeldWashEvents(MachineId machine) override;

 private:
  Database& database_;
};

// For statements on `event`: its columns in the order in which held_raw_event has them after hold_id, and the query
// as a condition that touches few partitions. Throws what pqxx throws.
extern const char* const kEventColumns;
std::string EventCondition(pqxx::transaction_base& tx, const EventQuery& query);

}  // namespace bayward
