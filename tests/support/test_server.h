// A throw-away PostgreSQL with the current schema, and an ingest server on loopback in front of it, for tests that need
// the real thing. Made once a test program; everything is removed at its end.
#pragma once

#include <memory>
#include <string>

#include "absl/synchronization/mutex.h"
#include "grpcpp/grpcpp.h"
#include "server/ingest/ingest.h"
#include "server/model/fleet.h"
#include "server/store/database.h"
#include "server/store/private_cluster.h"

namespace bayward::testing {

// Dies with a message where the cluster cannot be had: a test that needs it must not pass without it.
class TestCluster {
 public:
  TestCluster();
  ~TestCluster();

  Database& database() { return *database_; }
  const PrivateCluster& cluster() const { return cluster_; }
  const std::string& directory() const { return directory_; }

 private:
  std::string directory_;
  PrivateCluster cluster_;
  std::unique_ptr<Database> database_;
};

// Holds the fleet that ingest sees; tests add to it.
class FleetHolder {
 public:
  FleetHolder() : fleet_(std::make_shared<Fleet>()) {}
  std::shared_ptr<const Fleet> Get() const;
  // Adds a site with an agent of the same key, and machines that the agent watches. Returns the agent's id.
  AgentId AddSite(const std::string& key, const std::vector<std::string>& machines);
  MachineId AddMachine(const std::string& site, const std::string& machine);

 private:
  mutable absl::Mutex mutex_;
  std::shared_ptr<const Fleet> fleet_ ABSL_GUARDED_BY(mutex_);
};

class IngestServer {
 public:
  IngestServer(Database& database, const FleetHolder& fleet, IngestOptions options = {});
  ~IngestServer();

  std::string address() const { return "127.0.0.1:" + std::to_string(port_); }
  std::shared_ptr<grpc::Channel> Channel() const;
  Ingest& ingest() { return *ingest_; }
  const IngestCounts& counts() const { return counts_; }
  const Presence& presence() const { return presence_; }

 private:
  IngestCounts counts_;
  Presence presence_;
  std::unique_ptr<Ingest> ingest_;
  std::unique_ptr<grpc::Server> server_;
  int port_ = 0;
};

}  // namespace bayward::testing
