// What servers learn of each other's commits: polls the open states by transaction id. One thread.
#pragma once

#include <cstdint>
#include <string>

#include "absl/container/flat_hash_map.h"
#include "absl/status/status.h"
#include "absl/time/time.h"
#include "server/model/live_agent.h"
#include "server/store/database.h"
#include "server/store/ingest_store.h"

namespace bayward {

struct StoredReport {
  AgentId agent;
  std::string epoch;
  std::uint64_t at_sequence = 0;
  absl::Time as_of;
  std::string report;  // serialized bayward.v1.LiveReport
};

struct StoredProgress {
  std::string epoch;  // of the current one
  std::uint64_t watermark = 0;
  absl::Time observed_until = absl::InfinitePast();
};

// The latest known of each; Poll() adds to it and never takes away.
struct LiveRows {
  absl::flat_hash_map<std::int32_t, OpenMachine> machines;  // by assignment
  absl::flat_hash_map<AgentId, StoredReport> reports;
  absl::flat_hash_map<AgentId, StoredProgress> progress;
  absl::flat_hash_map<AgentId, LiveAgent> presence;  // as flushed by any server
};

class LiveStore {
 public:
  explicit LiveStore(Database& database) : database_(database) {}
  virtual ~LiveStore() = default;

  // Reads what changed since the last call. Values at or above the previous poll's oldest running transaction are read
  // again, so nothing that commits late is missed; applying a row twice changes nothing.
  virtual absl::Status Poll(LiveRows& rows);

  // Writes what this server heard of its agents, for the others and for after a restart.
  absl::Status SavePresence(const std::vector<LiveAgent>& agents);

 private:
  Database& database_;
  std::string seen_xmin_ = "0";
};

}  // namespace bayward
