#include "agent/config/agent_config.h"

#include <map>
#include <optional>
#include <utility>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "agent/sources/source_factory.h"
#include "fmt/format.h"
#include "toml++/toml.h"

namespace bayward {
namespace {

// The host of host:port or [address]:port; nullopt where it is neither.
std::optional<std::string> HostOf(const std::string& server) {
  const std::size_t colon = server.rfind(':');
  if (colon == std::string::npos || colon == 0) return std::nullopt;
  int port = 0;
  if (!absl::SimpleAtoi(server.substr(colon + 1), &port) || port < 1 || port > 65535) return std::nullopt;
  std::string host = server.substr(0, colon);
  if (host.front() == '[' && host.back() == ']') return host.substr(1, host.size() - 2);
  if (host.find(':') != std::string::npos) return std::nullopt;
  return host;
}

bool IsKey(const std::string& name) {
  if (name.empty() || name.size() > 64) return false;
  for (const char c : name) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                       c == '-' || c == '_' || c == '.';
    if (!plain) return false;
  }
  return true;
}

void CheckServer(const Settings& settings, std::vector<std::string>& faults) {
  const std::string& server = settings.Text("uplink.server");
  if (server.empty()) return;  // told already
  if (!HostOf(server).has_value()) {
    faults.push_back(settings.FaultOf(
        "uplink.server",
        fmt::format("expected host:port, such as \"127.0.0.1:7410\", found \"{}\"", server)));
  } else if (!settings.Flag("uplink.plaintext")) {
    faults.push_back(settings.FaultOf(
        "uplink.plaintext",
        "expected true: this version speaks no TLS; a tunnel with one end on this machine does"));
  } else if (!IsLoopback(server)) {
    faults.push_back(settings.FaultOf(
        "uplink.server",
        fmt::format(
            "expected an address of this machine, found \"{}\": without TLS nothing is sent over a network; "
            "use a tunnel and give its end on this machine",
            server)));
  }
}

std::vector<std::unique_ptr<Source>> ReadSources(const Settings& settings, Clock& clock,
                                                 std::vector<std::string>& faults) {
  std::vector<std::unique_ptr<Source>> sources;
  const SourceContext context = {settings.file(), &clock};
  const std::string file = settings.file().string();
  const toml::node* node = settings.table().get("source");
  if (node == nullptr) {
    faults.push_back(
        fmt::format("{}: no [[source]]: state at least one, so that there is something to watch", file));
    return sources;
  }
  const toml::array* tables = node->as_array();
  if (tables == nullptr || !tables->is_array_of_tables()) {
    faults.push_back(fmt::format("{}:{}: source: expected tables, each begun by [[source]]", file,
                                 node->source().begin.line));
    return sources;
  }
  std::size_t rehearsals = 0;
  for (const toml::node& table : *tables) {
    auto source = MakeSource(*table.as_table(), context, faults);
    if (source == nullptr) continue;
    if (source->rehearses() && ++rehearsals == 2) {
      faults.push_back(
          fmt::format("{}:{}: a second rehearsal: an agent tells one time up to which it has played; put "
                      "both scenarios in one file, or in two agents",
                      file, table.source().begin.line));
    }
    sources.push_back(std::move(source));
  }
  CheckSources(sources, context, faults);
  return sources;
}

}  // namespace

const std::vector<Setting>& AgentSettings() {
  static const std::vector<Setting> settings = {
      {.key = "agent.name", .help = "Key of this agent as declared in the fleet", .required = true},
      {.key = "agent.data_dir", .help = "Folder for the spool, one for each agent", .required = true},
      {.key = "uplink.server", .help = "Server to deliver to, host:port", .required = true},
      {.key = "uplink.plaintext",
       .kind = SettingKind::kFlag,
       .fallback = "true",
       .help = "Without TLS; only to an address of this machine"},
      {.key = "spool.bytes_max",
       .kind = SettingKind::kBytes,
       .fallback = "256MiB",
       .help = "Bound of the spool on disk",
       .min = "16MiB",
       .max = "64GiB"},
      {.key = "spool.age_max",
       .kind = SettingKind::kDuration,
       .fallback = "7d",
       .help = "How long delivered events are kept for a server that was restored",
       .min = "1h",
       .max = "90d"},
      {.key = "log.level",
       .kind = SettingKind::kChoice,
       .fallback = "info",
       .help = "trace, debug, info, warning or error",
       .choices = {"trace", "debug", "info", "warning", "error"}},
  };
  return settings;
}

const std::vector<std::string>& AgentTables() {
  static const std::vector<std::string> tables = {"source"};
  return tables;
}

AgentConfig ReadAgentConfig(const Settings& settings, Clock& clock, std::vector<std::string>& faults) {
  AgentConfig config;
  config.name = settings.Text("agent.name");
  if (settings.IsSet("agent.name") && !IsKey(config.name)) {
    faults.push_back(settings.FaultOf(
        "agent.name",
        fmt::format("expected 1 to 64 letters, digits, '-', '_' or '.', found \"{}\"", config.name)));
  }
  config.data_dir = settings.Text("agent.data_dir");
  if (!config.data_dir.empty()) config.data_dir = settings.file().parent_path() / config.data_dir;
  config.server = settings.Text("uplink.server");
  CheckServer(settings, faults);
  config.spool_bytes_max = settings.Bytes("spool.bytes_max");
  config.spool_age_max = settings.Duration("spool.age_max");
  config.log_level = settings.Text("log.level");
  config.sources = ReadSources(settings, clock, faults);
  return config;
}

void CheckAgents(const std::vector<AgentConfig>& agents, std::vector<std::string>& faults) {
  std::map<std::string, int> names;
  std::map<std::filesystem::path, int> folders;
  for (const AgentConfig& agent : agents) {
    if (!agent.name.empty() && ++names[agent.name] == 2) {
      faults.push_back(
          fmt::format("agent.name: two configurations name agent \"{}\": give each its own", agent.name));
    }
    if (agent.data_dir.empty()) continue;  // told already
    const std::filesystem::path folder = std::filesystem::absolute(agent.data_dir).lexically_normal();
    if (++folders[folder] == 2) {
      faults.push_back(
          fmt::format("agent.data_dir: two configurations use {}: give each agent its own", folder.string()));
    }
  }
}

bool IsLoopback(const std::string& server) {
  const auto host = HostOf(server);
  if (!host.has_value()) return false;
  if (*host == "localhost" || *host == "::1") return true;
  // Only a whole dotted address: "127.example.net" is somebody's name.
  return absl::StartsWith(*host, "127.") && host->find_first_not_of("0123456789.") == std::string::npos;
}

}  // namespace bayward
