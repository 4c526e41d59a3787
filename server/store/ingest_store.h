// The transaction in which a group of agents' events becomes rows: events, what the timeline closed, open states and
// watermarks commit together or not at all. One writer thread uses it on a connection of its own.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/cycle_run.h"
#include "server/model/ids.h"
#include "server/store/copy_writer.h"
#include "server/store/database.h"
#include "server/timeline/fold.h"

namespace bayward {

// How far one agent has got.
struct AgentProgress {
  AgentId agent;
  SiteId site;
  EpochId epoch;  // the current one; none: nothing was ever received
  std::uint64_t watermark = 0;
  absl::Time observed_until = absl::InfinitePast();
  std::int64_t fold_version = 0;
};

struct EpochRecord {
  EpochId id;
  std::string epoch;        // 16 bytes
  std::string predecessor;  // empty: none known
  std::string boot;
  std::optional<absl::Duration> clock_offset;  // UTC since 1970 minus the agent's monotonic clock
  bool superseded = false;
  std::uint64_t final_watermark = 0;  // once superseded
};

// What is open at a machine under one assignment.
struct OpenMachine {
  std::int32_t assignment = 0;
  MachineId machine;
  AgentId agent;
  SiteId site;
  MachineState state;
  absl::Time first_event_at = absl::InfiniteFuture();
  std::uint64_t cycles_completed = 0;
  std::uint64_t cycles_aborted = 0;
  bool ended = false;  // its assignment has ended and everything was closed
  std::vector<CycleRun> runs = {};  // of its cycles, the last ones
  bool runs_go_on = false;          // nothing but cycles has happened since the last of them
};

// More runs than this are moved out of a machine's open state.
inline constexpr std::size_t kOpenRunsMax = 128;

struct EventRow {
  absl::Time received_at;
  absl::Time occurred_at;
  absl::Time effective_at;
  EventRef ref;
  SiteId site;
  MachineId machine;
  AgentId agent;
  std::int16_t kind = 0;  // field number in bayward.v1.Event.what
  bool rehearsal = false;
  std::string_view payload;
};

struct HeldRow {
  absl::Time received_at;
  SiteId site;
  AgentId agent;
  EventRef ref;
  std::string machine;  // as the event named it; made valid UTF-8 without NUL
  std::string reason;   // rejected only
  std::string detail;
  std::string payload;
};

struct MissingRow {
  SiteId site;
  AgentId agent;
  EpochId epoch;
  std::uint64_t first_sequence = 0;
  std::uint64_t last_sequence = 0;
  absl::Time from = absl::InfinitePast();
  absl::Time to = absl::InfinitePast();
  absl::Time received_at;
  std::int16_t kind = 0;
  std::string reason;
};

// What an agent with backlog says of now.
struct LiveReportRow {
  AgentId agent;
  std::string epoch;
  std::uint64_t at_sequence = 0;
  absl::Time as_of;
  std::string report;  // serialized bayward.v1.LiveReport
};

// Additions to an epoch's account.
struct EpochCounts {
  std::int64_t tombstoned = 0;
  std::int64_t rejected = 0;
  std::int64_t parked = 0;
  std::int64_t lost = 0;
  bool any() const { return tombstoned != 0 || rejected != 0 || parked != 0 || lost != 0; }
};

// Rows of one group, collected before they are sent by COPY.
class GroupRows {
 public:
  GroupRows();
  void Event(const EventRow& row);
  void Closed(const OpenMachine& machine, const FoldOutput& out);
  // Takes all but the last run out of the machine where they are many.
  void FullRuns(OpenMachine& machine);
  void Rejected(const HeldRow& row);
  void Parked(const HeldRow& row);
  void Missing(const MissingRow& row);
  absl::Status Send(Connection& connection);

 private:
  CopyRows event_, spell_, mode_, observed_, voided_, cycle_, runs_, rejected_, parked_, missing_;
};

class IngestTransaction {
 public:
  // Begins. The connection must outlive it. Without Commit() everything is rolled back.
  static absl::StatusOr<std::unique_ptr<IngestTransaction>> Begin(Connection& connection);

  // Makes sure the agents have a row, locks those that nobody else holds, and gives them in ascending order. Those left
  // out are locked by somebody.
  absl::StatusOr<std::vector<AgentProgress>> Lock(std::span<const AgentProgress> agents);
  absl::StatusOr<std::vector<EpochRecord>> Epochs(AgentId agent);
  absl::StatusOr<std::vector<OpenMachine>> OpenMachines(AgentId agent);
  // Machine keys of which events are parked.
  absl::StatusOr<std::vector<std::string>> ParkedMachines(AgentId agent);

  absl::StatusOr<EpochId> BeginEpoch(AgentId agent, const EpochRecord& epoch);
  absl::Status Supersede(EpochId epoch, std::uint64_t final_watermark);
  absl::Status SetClockOffset(EpochId epoch, absl::Duration offset);
  absl::Status Count(EpochId epoch, const EpochCounts& counts);
  // Takes the parked events of a machine out of the table, in (epoch, sequence) order.
  absl::StatusOr<std::vector<HeldRow>> TakeParked(AgentId agent, const std::string& machine);

  absl::Status Send(GroupRows& rows);
  absl::Status Save(std::span<const OpenMachine* const> machines);
  absl::Status SaveLiveReport(const LiveReportRow& report);
  // Advances fold_version too.
  absl::Status Save(std::span<const AgentProgress> agents);

  // Unavailable also where it is unknown whether the commit took place: lock the agents again to learn.
  absl::Status Commit();

  // The database's clock at the transaction's begin.
  absl::Time now() const { return now_; }

 private:
  explicit IngestTransaction(Connection& connection) : connection_(connection) {}
  // Of a machine whose cycles were stored before there were runs.
  void MakeRuns(OpenMachine& machine);

  Connection& connection_;
  std::unique_ptr<pqxx::work> work_;
  absl::Time now_;
};

}  // namespace bayward
