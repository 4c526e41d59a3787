#include "server/server.h"

#include <string>
#include <utility>
#include <vector>

#include "absl/time/clock.h"
#include "grpcpp/grpcpp.h"
#include "grpcpp/health_check_service_interface.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/api/fleet_handlers.h"
#include "server/api/grpc_adapter.h"
#include "server/api/worker_pool.h"
#include "server/figures_service.h"
#include "server/housekeeping.h"
#include "server/ingest/ingest.h"
#include "server/live/fleet_state.h"
#include "server/metrics/metrics_page.h"
#include "server/self_checks.h"
#include "server/store/held_event_store.h"
#include "server/store/migrations.h"
#include "server/store/private_cluster.h"
#include "server/store/registry_store.h"
#include "server/store/upkeep.h"
#include "server/web/http_server.h"
#include "server/web/routes.h"

namespace bayward {
namespace {

constexpr int kWorkers = 4;
constexpr std::size_t kRequestsWaitingMax = 256;
constexpr int kMinPingIntervalMs = 20'000;
constexpr absl::Duration kClusterEvery = absl::Seconds(1);
// After this long without a look at the database the picture is too old to call the server ready.
constexpr absl::Duration kLiveTooOld = absl::Seconds(15);

// An external database must be one that keeps what it acknowledged.
absl::Status CheckDurable(Database& database) {
  std::string fsync;
  BAYWARD_RETURN_IF_ERROR(database.Read("look at the database's settings", [&](pqxx::transaction_base& tx) {
    fsync = tx.exec1("SHOW fsync")[0].c_str();
    return absl::OkStatus();
  }));
  if (fsync == "on") return absl::OkStatus();
  return FailedPrecondition("the database runs with fsync = {}: it would lose what it acknowledged. Set fsync = on.", fsync);
}

absl::Status AllOf(std::initializer_list<absl::Status> statuses) {
  for (const absl::Status& status : statuses) BAYWARD_RETURN_IF_ERROR(status);
  return absl::OkStatus();
}

absl::StatusOr<std::unique_ptr<grpc::Server>> Listen(const std::string& address, grpc::Service* service,
                                                     grpc::CallbackGenericService* generic) {
  grpc::ServerBuilder builder;
  int port = 0;
  builder.AddListeningPort(address, grpc::InsecureServerCredentials(), &port);
  builder.AddChannelArgument(GRPC_ARG_ALLOW_REUSEPORT, 0);
  // Agents behind NAT ping every 60 to 120 s, also without data.
  builder.AddChannelArgument(GRPC_ARG_HTTP2_MIN_RECV_PING_INTERVAL_WITHOUT_DATA_MS, kMinPingIntervalMs);
  builder.AddChannelArgument(GRPC_ARG_KEEPALIVE_PERMIT_WITHOUT_CALLS, 1);
  builder.SetMaxReceiveMessageSize(static_cast<int>(kRequestBytesMax));
  if (service != nullptr) builder.RegisterService(service);
  if (generic != nullptr) builder.RegisterCallbackGenericService(generic);
  std::unique_ptr<grpc::Server> server = builder.BuildAndStart();
  if (server == nullptr || port == 0) {
    return Unavailable("cannot listen on {}: is the address in use, or not this machine's?", address);
  }
  spdlog::info("listening on {} (port {})", address, port);
  return server;
}

void Shutdown(grpc::Server& server, absl::Time deadline) {
  server.Shutdown(absl::ToChronoTime(deadline));
}

std::string WhyNotReady(const Housekeeping& housekeeping, const FleetState& live) {
  if (!housekeeping.disk().enough) return "not enough free disk: no events are taken in";
  const absl::Duration age = absl::Now() - live.refreshed_at();
  if (age > kLiveTooOld) return "the database has not answered for " + absl::FormatDuration(absl::Trunc(age, absl::Seconds(1)));
  return "";
}

void LookAfter(PrivateCluster& cluster) {
  const absl::StatusOr<bool> revived = cluster.Revive();
  if (!revived.ok()) spdlog::error("the private database cannot be started again, trying on: {}", Message(revived.status()));
}

// Everything above the database. `cluster`: where it is private.
absl::Status Serve(const ServerConfig& config, const StopFlag& stop, Database& database, PrivateCluster& cluster) {
  Clock& clock = Clock::System();
  RegistryStore registry(database);
  FleetHolder fleet(registry);
  const auto current_fleet = [&fleet] { return fleet.Get(); };
  LiveStore live_store(database);
  Presence presence;
  IngestCounts counts;
  IngestOptions ingest_options;
  ingest_options.writers = config.writers;
  ingest_options.heartbeat_interval = config.heartbeat_interval;
  Ingest ingest(database, current_fleet, presence, counts, ingest_options);
  Housekeeping housekeeping(config, database, fleet, live_store, ingest, presence);
  BAYWARD_RETURN_IF_ERROR(housekeeping.Prepare());
  FleetState live(live_store, current_fleet, [&presence] { return presence.Agents(); }, clock, {});
  BAYWARD_RETURN_IF_ERROR(live.Refresh());

  FiguresService figures(database, current_fleet, live, clock);
  PostgresHeldEventStore held_events(database);
  FleetRegistry declared = RegistryOf(registry);
  declared.apply = [&, apply = declared.apply](const Declaration& declaration, const ApplyOptions& options) {
    absl::StatusOr<ApplyOutcome> outcome = apply(declaration, options);
    // Whoever declared something sees it at once.
    if (outcome.ok() && outcome->applied && fleet.Refresh().ok()) {
      ingest.FleetChanged();
      live.Refresh().IgnoreError();
    }
    return outcome;
  };
  const FleetHandlers fleet_handlers({live, declared, held_events, clock, MakeSelfChecks(config, database, housekeeping)});
  MethodTable methods;
  BAYWARD_RETURN_IF_ERROR(AllOf({figures.AddMethods(methods), AddFleetMethods(fleet_handlers, methods)}));
  MetricsOptions metrics_options;
  metrics_options.disk_paths = {config.data_dir};
  MetricsPage metrics(live, counts, metrics_options, clock);

  WorkerPool workers(kWorkers, kRequestsWaitingMax);
  const std::unique_ptr<grpc::CallbackGenericService> adapter = MakeGrpcAdapter(methods, workers);
  BAYWARD_ASSIGN_OR_RETURN(const std::unique_ptr<grpc::Server> api_door, Listen(config.listen_api, nullptr, adapter.get()));
  HttpServerOptions http_options;
  http_options.address = config.listen_http;
  BAYWARD_ASSIGN_OR_RETURN(
      const std::unique_ptr<HttpServer> http_door,
      HttpServer::Start(http_options,
                        MakeRoutes({methods, [&] { return metrics.Current(); },
                                    [&] { return WhyNotReady(housekeeping, live); }}),
                        workers));
  spdlog::info("listening on {} for JSON, metrics and readiness", config.listen_http);
  // Consumers run before producers may come in.
  ingest.Start();
  live.Start();
  housekeeping.Start();
  figures.Start();
  BAYWARD_ASSIGN_OR_RETURN(const std::unique_ptr<grpc::Server> agents_door,
                           Listen(config.listen_agents, &ingest.service(), nullptr));
  spdlog::info("ready: {} sites, {} machines declared", fleet.Get()->sites.size(), fleet.Get()->machines.size());

  while (!stop.WaitFor(kClusterEvery)) LookAfter(cluster);
  const absl::Time deadline = absl::Now() + config.drain_timeout;
  spdlog::info("stopping: asking agents to come back later");
  for (grpc::Server* door : {agents_door.get(), api_door.get()}) {
    if (auto* health = door->GetHealthCheckService()) health->SetServingStatus(false);
  }
  ingest.Drain(absl::Seconds(2), deadline);
  ingest.Stop(deadline + absl::Seconds(2));
  Shutdown(*agents_door, absl::Now() + absl::Seconds(1));
  http_door->Stop(absl::Now() + absl::Seconds(1));
  Shutdown(*api_door, absl::Now() + absl::Seconds(1));
  workers.Stop(absl::Now() + absl::Seconds(5)).IgnoreError();
  figures.Stop();
  live.Stop();
  housekeeping.Stop();
  return absl::OkStatus();
}

}  // namespace

absl::Status RunServer(const ServerConfig& config, const StopFlag& stop) {
  grpc::EnableDefaultHealthCheckService(true);
  PrivateCluster cluster;
  std::string url = config.database;
  if (url.empty()) {
    PrivateClusterOptions options;
    options.directory = config.data_dir + "/postgres";
    options.run_as = config.cluster_user;
    BAYWARD_ASSIGN_OR_RETURN(cluster, PrivateCluster::Start(options));
    url = cluster.url();
  }
  Database database(url);
  absl::Status status = CheckDurable(database);
  if (status.ok()) status = Migrate(database);
  if (status.ok()) status = Serve(config, stop, database, cluster);
  if (const absl::Status stopped = cluster.Stop(); !stopped.ok()) spdlog::error("{}", Message(stopped));
  return status;
}

}  // namespace bayward
