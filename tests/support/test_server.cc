#include "tests/support/test_server.h"

#include <unistd.h>

#include <cstdlib>
#include <filesystem>

#include "absl/time/clock.h"
#include "gtest/gtest.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/store/migrations.h"
#include "server/store/upkeep.h"

namespace bayward::testing {
namespace {

void OrDie(const absl::Status& status) {
  if (status.ok()) return;
  spdlog::critical("the test's PostgreSQL cannot be had: {}", Message(status));
  std::abort();
}

}  // namespace

TestCluster::TestCluster() {
  char name[] = "/tmp/bayward-test-XXXXXX";
  if (mkdtemp(name) == nullptr) std::abort();
  directory_ = name;
  // The cluster's user must be able to pass through.
  std::filesystem::permissions(directory_, static_cast<std::filesystem::perms>(0711));
  PrivateClusterOptions options;
  options.directory = directory_ + "/postgres";
  options.durable = false;
  auto cluster = PrivateCluster::Start(options);
  OrDie(cluster.status());
  cluster_ = *std::move(cluster);
  database_ = std::make_unique<Database>(cluster_.url());
  OrDie(Migrate(*database_));
  OrDie(EnsurePartitions(*database_, absl::Now()));
}

TestCluster::~TestCluster() {
  database_.reset();
  cluster_.Stop().IgnoreError();
  std::error_code error;
  std::filesystem::remove_all(directory_, error);
}

std::shared_ptr<const Fleet> FleetHolder::Get() const {
  absl::MutexLock lock(&mutex_);
  return fleet_;
}

AgentId FleetHolder::AddSite(const std::string& key, const std::vector<std::string>& machines) {
  AgentId agent;
  {
    absl::MutexLock lock(&mutex_);
    auto fleet = std::make_shared<Fleet>(*fleet_);
    const int id = static_cast<int>(fleet->sites.size()) + 1;
    Site site;
    site.id = {id};
    site.key = key;
    fleet->sites.push_back(site);
    agent = {id};
    fleet->agents.push_back({agent, {id}, key});
    ++fleet->version;
    fleet->Index();
    fleet_ = fleet;
  }
  for (const std::string& machine : machines) AddMachine(key, machine);
  return agent;
}

MachineId FleetHolder::AddMachine(const std::string& site, const std::string& machine) {
  absl::MutexLock lock(&mutex_);
  auto fleet = std::make_shared<Fleet>(*fleet_);
  const Agent* agent = fleet->FindAgent(site);
  Machine added;
  added.id = {static_cast<int>(fleet->machines.size()) + 1};
  added.site = agent->site;
  added.key = machine;
  added.kind = "gantry";
  added.calendar.zones.push_back({absl::CivilDay(), "UTC", absl::UTCTimeZone()});
  fleet->machines.push_back(added);
  Assignment assignment;
  assignment.id = static_cast<int>(fleet->assignments.size()) + 1;
  assignment.machine = added.id;
  assignment.agent = agent->id;
  fleet->assignments.push_back(assignment);
  ++fleet->version;
  fleet->Index();
  fleet_ = fleet;
  return added.id;
}

IngestServer::IngestServer(Database& database, const FleetHolder& fleet, IngestOptions options) {
  ingest_ = std::make_unique<Ingest>(database, [&fleet] { return fleet.Get(); }, presence_, counts_, options);
  ingest_->Start();
  grpc::ServerBuilder builder;
  builder.AddListeningPort("127.0.0.1:0", grpc::InsecureServerCredentials(), &port_);
  builder.RegisterService(&ingest_->service());
  server_ = builder.BuildAndStart();
}

IngestServer::~IngestServer() {
  ingest_->Drain(absl::ZeroDuration(), absl::Now() + absl::Milliseconds(200));
  ingest_->Stop(absl::Now() + absl::Seconds(5));
  server_->Shutdown(std::chrono::system_clock::now() + std::chrono::seconds(5));
}

std::shared_ptr<grpc::Channel> IngestServer::Channel() const {
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  return grpc::CreateCustomChannel(address(), grpc::InsecureChannelCredentials(), arguments);
}

}  // namespace bayward::testing
