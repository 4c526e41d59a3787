// The door agents deliver through: writers behind one queue each, streams in front of them. Construct, Start(), register
// service() with a gRPC server, Stop().
#pragma once

#include <functional>
#include <memory>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "bayward/v1/uplink.grpc.pb.h"
#include "server/ingest/ingest_counts.h"
#include "server/ingest/presence.h"
#include "server/ingest/writer.h"
#include "server/model/fleet.h"
#include "server/store/database.h"

namespace bayward {

struct IngestOptions {
  int writers = 2;
  WriterOptions writer;
  std::uint32_t batch_events_max = 500;
  std::uint32_t batch_bytes_max = 1 << 20;
  std::uint32_t batches_in_flight_max = 4;
  absl::Duration heartbeat_interval = absl::Seconds(10);
  std::size_t streams_max = 20000;
};

class UplinkStream;

// Thread-safe.
class Ingest {
 public:
  Ingest(const Database& database, Writer::FleetSource fleet, Presence& presence, IngestCounts& counts,
         IngestOptions options);
  ~Ingest();

  void Start();
  grpc::Service& service();
  // The fleet changed: parked events may find their machine, assignments may have ended.
  void FleetChanged();
  // While held, streams are not read; agents keep what they have.
  void Hold(bool held);
  // Asks every agent to come back after `pause`, waits until the streams have ended or `deadline`.
  void Drain(absl::Duration pause, absl::Time deadline);
  void Stop(absl::Time deadline);

 private:
  friend class UplinkStream;
  class Service;

  Writer& WriterOf(AgentId agent);
  // OK, or why a stream of this agent cannot begin now.
  absl::Status Enter(UplinkStream* stream, AgentId agent);
  // `agent` none where the stream never entered.
  void Leave(UplinkStream* stream, AgentId agent);

  Writer::FleetSource fleet_;
  Presence& presence_;
  IngestCounts& counts_;
  const IngestOptions options_;
  std::vector<std::unique_ptr<Writer>> writers_;
  std::unique_ptr<Service> service_;

  absl::Mutex mutex_;
  absl::flat_hash_map<AgentId, UplinkStream*> streams_ ABSL_GUARDED_BY(mutex_);
  std::size_t count_ ABSL_GUARDED_BY(mutex_) = 0;  // streams whose reactor still lives
  bool held_ ABSL_GUARDED_BY(mutex_) = false;
  bool draining_ ABSL_GUARDED_BY(mutex_) = false;
};

}  // namespace bayward
