// What a writer remembers of one agent between groups, and how its jobs change it inside a transaction. A value: folding
// works on a copy, and the copy replaces the original only after COMMIT. One thread.
#pragma once

#include <cstdint>
#include <map>
#include <set>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "bayward/v1/uplink.pb.h"
#include "server/ingest/event_reader.h"
#include "server/ingest/ingest_counts.h"
#include "server/ingest/jobs.h"
#include "server/model/fleet.h"
#include "server/store/ingest_store.h"

namespace bayward {

struct AgentFold {
  AgentProgress progress;
  std::vector<EpochRecord> epochs;                // in the order they began
  std::map<std::int32_t, OpenMachine> machines;   // by assignment
  std::set<std::string> parked;                   // keys of machines of which events are parked
  std::int64_t caught_up_with = -1;               // version of the fleet that CatchUp() last saw
};

// Counts of one group, added to IngestCounts after COMMIT.
struct GroupCounts {
  std::uint64_t events = 0;
  std::uint64_t batches = 0;
  std::uint64_t duplicates = 0;
  std::uint64_t gaps = 0;
  std::uint64_t tombstones = 0;
  std::uint64_t rejected = 0;
  std::uint64_t parked = 0;
  std::uint64_t clock_errors = 0;
  std::uint64_t lost = 0;
  void AddTo(IngestCounts& counts) const;
};

// An event the database itself refused, found by splitting: to be kept as rejected without trying again.
struct Poisoned {
  std::string epoch;
  std::uint64_t sequence = 0;
  std::string detail;
  auto operator<=>(const Poisoned&) const = default;
};

// Applies jobs of one locked agent within one transaction.
class AgentFolder {
 public:
  AgentFolder(AgentFold& fold, const Fleet& fleet, IngestTransaction& transaction, GroupRows& rows,
              GroupCounts& counts, EventReader& reader, const std::set<Poisoned>& poisoned)
      : fold_(fold), fleet_(fleet), transaction_(transaction), rows_(rows), counts_(counts), reader_(reader),
        poisoned_(poisoned) {}

  // Where to go on with each epoch the agent holds.
  absl::Status Apply(const StreamHello& stream, v1::Welcome& welcome, std::vector<v1::ServerMessage>& more);
  // `answer` becomes an ack or a resume_after.
  absl::Status Apply(const StreamHello& stream, const v1::Batch& batch, v1::ServerMessage& answer);
  // Folds what was parked for machines declared since, and ends assignments that are over.
  absl::Status CatchUp();
  // Writes counters and the machines that changed. Last.
  absl::Status Finish();

 private:
  EpochRecord* FindEpoch(const std::string& epoch);
  absl::StatusOr<EpochRecord*> EnterEpoch(const StreamHello& stream, const std::string& epoch);
  absl::Status LoseUpTo(EpochRecord& epoch, std::uint64_t sequence);
  absl::Status KeepSuperseded(EpochRecord& epoch, const v1::Batch& batch, v1::Ack& ack);
  void Take(const EpochRecord& epoch, const ReadEvent& read, bool was_parked);
  void TakeTombstone(const EpochRecord& epoch, const ReadEvent& read);
  void Reject(const EpochRecord& epoch, const ReadEvent& read, const Rejection& rejection);
  void Park(const EpochRecord& epoch, const ReadEvent& read);
  void FoldInto(OpenMachine& machine, const MachineEvent& event);
  OpenMachine& MachineOf(const Assignment& assignment);
  EpochCounts& CountsOf(EpochId epoch) { return epoch_counts_[epoch.value]; }

  AgentFold& fold_;
  const Fleet& fleet_;
  IngestTransaction& transaction_;
  GroupRows& rows_;
  GroupCounts& counts_;
  EventReader& reader_;
  const std::set<Poisoned>& poisoned_;
  std::set<std::int32_t> changed_;
  std::map<std::int32_t, EpochCounts> epoch_counts_;
  std::set<std::string> wanted_snapshots_;
};

}  // namespace bayward
