#include "server/config/server_config.h"

#include "absl/strings/numbers.h"
#include "absl/strings/str_split.h"
#include "fmt/format.h"

namespace bayward {
namespace {

// "host:port" or "[::1]:port" with a port of 0 to 65535.
bool IsAddress(const std::string& text) {
  const std::size_t colon = text.rfind(':');
  int port = -1;
  return colon != std::string::npos && colon > 0 && absl::SimpleAtoi(text.substr(colon + 1), &port) && port >= 0 &&
         port <= 65535;
}

}  // namespace

const Program& ServerProgram() {
  static const Program program = {
      .name = "bayward-server",
      .about = "Takes in what site agents deliver, keeps it in PostgreSQL, and answers for the fleet.",
      .examples = "  bayward-server --data-dir /var/lib/bayward\n"
                  "      with a private PostgreSQL cluster in the data directory\n"
                  "  bayward-server --config /etc/bayward/server.toml --check-config\n"
                  "      says every fault of the configuration and ends\n"
                  "\nExit codes: 0 good, 64 usage, 69 cannot start, 78 bad configuration.\n",
  };
  return program;
}

const std::vector<Setting>& ServerSettings() {
  static const std::vector<Setting> settings = {
      {.key = "data_dir", .fallback = "/var/lib/bayward", .help = "directory of the private PostgreSQL cluster"},
      {.key = "database", .help = "connection string of a PostgreSQL to use instead of a private one", .secret = true},
      {.key = "cluster_user", .fallback = "postgres", .help = "user the private cluster runs as when started by root"},
      {.key = "listen_agents", .fallback = "127.0.0.1:7441", .help = "address agents connect to (gRPC)"},
      {.key = "listen_api", .fallback = "127.0.0.1:7442", .help = "address of the fleet and figures services (gRPC)"},
      {.key = "listen_http", .fallback = "127.0.0.1:7443",
       .help = "address of the same services as JSON, of /metrics, /alive and /ready (HTTP)"},
      {.key = "log_level", .kind = SettingKind::kChoice, .fallback = "info", .help = "least level that is logged",
       .choices = {"trace", "debug", "info", "warning", "error"}},
      {.key = "ingest.writers", .kind = SettingKind::kInteger, .fallback = "2",
       .help = "writers that commit events, each with a database session", .min = "1", .max = "16"},
      {.key = "ingest.heartbeat_interval", .kind = SettingKind::kDuration, .fallback = "10s",
       .help = "how often an agent says that it is alive", .min = "1s", .max = "60s"},
      {.key = "drain_timeout", .kind = SettingKind::kDuration, .fallback = "10s",
       .help = "how long a stopping server waits for streams and requests to end", .min = "0s", .max = "5m"},
      {.key = "retention.event_days", .kind = SettingKind::kInteger, .fallback = "400",
       .help = "days after its receipt that an event is kept as it was delivered", .min = "8", .max = "36500"},
      {.key = "retention.cycle_days", .kind = SettingKind::kInteger, .fallback = "400",
       .help = "days that each cycle is kept; counts by hour, spells and what was observed stay for good", .min = "90",
       .max = "36500"},
      {.key = "disk.free_min_bytes", .kind = SettingKind::kBytes, .fallback = "5GiB",
       .help = "below this much free disk no events are taken in; agents keep theirs"},
      {.key = "disk.free_min_fraction", .kind = SettingKind::kNumber, .fallback = "0.1",
       .help = "the same as a share of the disk", .min = "0", .max = "0.9"},
  };
  return settings;
}

ServerConfig MakeServerConfig(const Settings& settings, std::vector<std::string>& faults) {
  ServerConfig config;
  config.data_dir = settings.Text("data_dir");
  config.database = settings.Text("database");
  config.cluster_user = settings.Text("cluster_user");
  config.listen_agents = settings.Text("listen_agents");
  config.listen_api = settings.Text("listen_api");
  config.listen_http = settings.Text("listen_http");
  config.log_level = settings.Text("log_level");
  config.writers = static_cast<int>(settings.Integer("ingest.writers"));
  config.heartbeat_interval = settings.Duration("ingest.heartbeat_interval");
  config.drain_timeout = settings.Duration("drain_timeout");
  config.event_days = static_cast<int>(settings.Integer("retention.event_days"));
  config.cycle_days = static_cast<int>(settings.Integer("retention.cycle_days"));
  config.disk_free_min_bytes = settings.Bytes("disk.free_min_bytes");
  config.disk_free_min_fraction = settings.Number("disk.free_min_fraction");
  for (const auto line : absl::StrSplit(settings.Print(), '\n', absl::SkipEmpty())) {
    config.printed.emplace_back(line.data(), line.size());
  }
  for (const char* key : {"listen_agents", "listen_api", "listen_http"}) {
    if (!IsAddress(settings.Text(key))) {
      faults.push_back(settings.FaultOf(key, fmt::format("expected host:port, found \"{}\"", settings.Text(key))));
    }
  }
  if (config.data_dir.empty() && config.database.empty()) {
    faults.push_back(settings.FaultOf("data_dir", "expected a directory, or a database to use instead"));
  }
  return config;
}

}  // namespace bayward
