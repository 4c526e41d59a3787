#include "server/store/private_cluster.h"

#include <fcntl.h>
#include <grp.h>
#include <pwd.h>
#include <signal.h>
#include <sys/file.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <vector>

#include "absl/time/clock.h"
#include "absl/time/time.h"
#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/store/database.h"

namespace bayward {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kSocketPathMax = 107;  // sun_path less its NUL
constexpr absl::Duration kAnswerTimeout = absl::Seconds(60);
// Processes of a killed postmaster keep its memory for a moment, and a new one ends at once.
constexpr absl::Duration kLaunchAgainFor = absl::Seconds(10);

struct User {
  uid_t uid;
  gid_t gid;
  std::string name;
};

// Whom the cluster runs as: `run_as` for root, otherwise who we are.
absl::StatusOr<User> ClusterUser(const std::string& run_as) {
  if (geteuid() != 0) return User{geteuid(), getegid(), ""};
  const passwd* entry = getpwnam(run_as.c_str());
  if (entry == nullptr) {
    return FailedPrecondition("the private database must not run as root, and there is no user \"{}\" to run it as: "
                              "install the package postgresql-15 or name another user", run_as);
  }
  return User{entry->pw_uid, entry->pw_gid, run_as};
}

absl::StatusOr<std::string> FindBinaries(const std::string& given) {
  if (!given.empty()) return given;
  std::vector<std::pair<int, std::string>> found;
  std::error_code error;
  for (const auto& entry : fs::directory_iterator("/usr/lib/postgresql", error)) {
    if (fs::exists(entry.path() / "bin" / "initdb", error)) {
      found.emplace_back(std::atoi(entry.path().filename().c_str()), (entry.path() / "bin").string());
    }
  }
  if (found.empty()) {
    return FailedPrecondition("no PostgreSQL server found under /usr/lib/postgresql: install postgresql-15, or set "
                              "BAYWARD_DATABASE to the connection string of one that runs");
  }
  return std::max_element(found.begin(), found.end())->second;
}

struct Command {
  std::vector<std::string> arguments;
  std::string log;  // standard output and error are appended to it
  bool detached = false;
};

// Runs a command as `user`; returns its exit status, or its pid where detached.
absl::StatusOr<int> Run(const Command& command, const User& user) {
  const pid_t child = fork();
  if (child < 0) return Internal("fork: {}", std::strerror(errno));
  if (child == 0) {
    if (command.detached) setsid();
    if (geteuid() == 0 &&
        (initgroups(user.name.c_str(), user.gid) != 0 || setgid(user.gid) != 0 || setuid(user.uid) != 0)) {
      _exit(126);
    }
    const int log = open(command.log.c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0640);
    const int null = open("/dev/null", O_RDONLY);
    dup2(null, STDIN_FILENO);
    dup2(log, STDOUT_FILENO);
    dup2(log, STDERR_FILENO);
    if (chdir("/") != 0) _exit(126);
    // The cluster must not keep our sockets and files open after we are gone.
    for (int fd = 3; fd < 1024; ++fd) close(fd);
    std::vector<char*> argv;
    for (const std::string& argument : command.arguments) argv.push_back(const_cast<char*>(argument.c_str()));
    argv.push_back(nullptr);
    execv(argv[0], argv.data());
    _exit(127);
  }
  if (command.detached) return child;
  int status = 0;
  while (waitpid(child, &status, 0) < 0 && errno == EINTR) {
  }
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

// One that has ended and waits to be reaped is not alive.
bool IsAlive(pid_t pid) {
  std::ifstream file("/proc/" + std::to_string(pid) + "/stat");
  const std::string stat((std::istreambuf_iterator<char>(file)), std::istreambuf_iterator<char>());
  const std::size_t name_end = stat.rfind(')');
  return name_end != std::string::npos && name_end + 2 < stat.size() && stat[name_end + 2] != 'Z';
}

// The pid in postmaster.pid if that process is a live postmaster of this directory, else 0.
pid_t RunningPostmaster(const fs::path& cluster) {
  std::ifstream file(cluster / "postmaster.pid");
  pid_t pid = 0;
  std::string directory;
  if (!(file >> pid >> directory) || pid <= 0 || !IsAlive(pid)) return 0;
  std::ifstream command("/proc/" + std::to_string(pid) + "/comm");
  std::string name;
  command >> name;
  return name == "postgres" ? pid : 0;
}

std::string Tail(const std::string& path) {
  std::ifstream file(path);
  std::string text((std::istreambuf_iterator<char>(file)), std::istreambuf_iterator<char>());
  return text.size() > 600 ? text.substr(text.size() - 600) : text;
}

absl::Status MakeDirectories(const PrivateClusterOptions& options, const User& user) {
  std::error_code error;
  for (const char* part : {"", "socket"}) {
    const fs::path path = fs::path(options.directory) / part;
    fs::create_directories(path, error);
    if (error) return FailedPrecondition("cannot make {}: {}", path.string(), error.message());
    if (chown(path.c_str(), user.uid, user.gid) != 0) {
      return FailedPrecondition("cannot give {} to the user that runs the database: {}", path.string(),
                                std::strerror(errno));
    }
    fs::permissions(path, fs::perms::owner_all, error);
  }
  return absl::OkStatus();
}

// Aborted where the process ended instead.
absl::Status WaitUntilItAnswers(const std::string& url, pid_t postmaster, const std::string& log) {
  const absl::Time deadline = absl::Now() + kAnswerTimeout;
  absl::Status last;
  while (absl::Now() < deadline) {
    auto connection = Connection::Open(url, {});
    if (connection.ok()) return absl::OkStatus();
    last = connection.status();
    if (waitpid(postmaster, nullptr, WNOHANG) == postmaster) {
      return MakeStatus(absl::StatusCode::kAborted, fmt::format("the private database ended at once; its log ends: {}",
                                                                Tail(log)));
    }
    absl::SleepFor(absl::Milliseconds(50));
  }
  return Unavailable("the private database did not answer within {}: {}; its log ends: {}",
                     absl::FormatDuration(kAnswerTimeout), Message(last), Tail(log));
}

std::string MaintenanceUrl(const fs::path& base) {
  return "host=" + (base / "socket").string() + " port=5432 user=bayward dbname=postgres";
}

// Held until the last copy is gone, at the latest until the process ends.
absl::StatusOr<std::shared_ptr<void>> LockDirectory(const fs::path& base) {
  const std::string path = (base / "lock").string();
  const int file = open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600);
  if (file < 0) return FailedPrecondition("cannot open {}: {}", path, std::strerror(errno));
  std::shared_ptr<void> lock(nullptr, [file](void*) { close(file); });
  if (flock(file, LOCK_EX | LOCK_NB) == 0) return lock;
  return FailedPrecondition("another server has the private database in {}: give each a data directory of its own, or "
                            "let them share a database that is not private", base.string());
}

}  // namespace

absl::StatusOr<PrivateCluster> PrivateCluster::Start(const PrivateClusterOptions& options) {
  PrivateCluster cluster;
  cluster.options_ = options;
  cluster.options_.directory = fs::absolute(options.directory).string();
  const fs::path base = cluster.options_.directory;
  const std::string data = (base / "cluster").string();
  const std::string socket = (base / "socket").string();
  const std::string log = (base / "cluster.log").string();
  if (socket.size() + std::strlen("/.s.PGSQL.5432") > kSocketPathMax) {
    return FailedPrecondition("the data directory's path is too long for a unix socket: {} has {} characters, at most "
                              "{} are possible", socket, socket.size(), kSocketPathMax - 14);
  }
  BAYWARD_ASSIGN_OR_RETURN(const User user, ClusterUser(options.run_as));
  BAYWARD_ASSIGN_OR_RETURN(const std::string binaries, FindBinaries(options.binaries));
  cluster.options_.binaries = binaries;
  BAYWARD_RETURN_IF_ERROR(MakeDirectories(cluster.options_, user));
  BAYWARD_ASSIGN_OR_RETURN(cluster.lock_, LockDirectory(base));
  if (!fs::exists(fs::path(data) / "PG_VERSION")) {
    spdlog::info("making a private PostgreSQL cluster in {}", data);
    std::vector<std::string> initdb = {binaries + "/initdb", "-D", data, "-U", "bayward", "-A", "peer", "-E", "UTF8",
                                       "--locale=C.UTF-8", "--data-checksums"};
    if (!options.durable) initdb.push_back("--no-sync");
    BAYWARD_ASSIGN_OR_RETURN(const int status, Run({initdb, log}, user));
    if (status != 0) return FailedPrecondition("initdb ended with {}: {}", status, Tail(log));
    // Whoever can open the socket directory may connect: it belongs to the cluster's user alone, and to root.
    std::ofstream(fs::path(data) / "pg_hba.conf") << "local all bayward trust\n";
  }
  cluster.url_ = "host=" + socket + " port=5432 user=bayward dbname=bayward";
  cluster.postmaster_ = RunningPostmaster(data);
  if (cluster.postmaster_ != 0) {
    spdlog::info("adopting the private PostgreSQL cluster that still runs as process {}", cluster.postmaster_);
    BAYWARD_RETURN_IF_ERROR(WaitUntilItAnswers(MaintenanceUrl(base), cluster.postmaster_, log));
  } else {
    BAYWARD_RETURN_IF_ERROR(cluster.Launch());
  }
  Database maintenance(MaintenanceUrl(base));
  BAYWARD_ASSIGN_OR_RETURN(std::unique_ptr<Connection> connection, maintenance.Open({}));
  try {
    pqxx::nontransaction tx(connection->pqxx());
    if (tx.exec("SELECT 1 FROM pg_database WHERE datname = 'bayward'").empty()) tx.exec("CREATE DATABASE bayward");
  } catch (...) {
    return StatusOfCurrentException("make the database \"bayward\"");
  }
  return cluster;
}

absl::Status PrivateCluster::Launch() {
  BAYWARD_ASSIGN_OR_RETURN(const User user, ClusterUser(options_.run_as));
  const fs::path base = options_.directory;
  const std::string log = (base / "cluster.log").string();
  const std::string fsync = options_.durable ? "on" : "off";
  const absl::Time again_until = absl::Now() + kLaunchAgainFor;
  while (true) {
    BAYWARD_ASSIGN_OR_RETURN(
        postmaster_,
        Run({.arguments = {options_.binaries + "/postgres", "-D", (base / "cluster").string(), "-k",
                           (base / "socket").string(), "-p", "5432", "-c", "listen_addresses=",
                           "-c", "max_connections=64", "-c", "shared_buffers=256MB", "-c", "max_wal_size=4GB",
                           "-c", "wal_compression=lz4", "-c", "checkpoint_timeout=15min", "-c", "fsync=" + fsync,
                           "-c", "log_min_messages=warning", "-c", "autovacuum_naptime=15s"},
             .log = log,
             .detached = true},
            user));
    const absl::Status status = WaitUntilItAnswers(MaintenanceUrl(base), postmaster_, log);
    if (!absl::IsAborted(status)) return status;
    if (absl::Now() > again_until) return FailedPrecondition("{}", Message(status));
    absl::SleepFor(absl::Milliseconds(200));
  }
}

absl::StatusOr<bool> PrivateCluster::Revive() {
  if (postmaster_ == 0) return false;
  // Reaped where it is our child.
  if (waitpid(postmaster_, nullptr, WNOHANG) != postmaster_ && IsAlive(postmaster_)) return false;
  spdlog::error("the private PostgreSQL cluster (process {}) has ended: starting it again", postmaster_);
  BAYWARD_RETURN_IF_ERROR(Launch());
  return true;
}

absl::Status PrivateCluster::Stop() {
  if (postmaster_ == 0) return absl::OkStatus();
  const pid_t pid = postmaster_;
  postmaster_ = 0;
  if (kill(pid, SIGINT) != 0) return absl::OkStatus();
  const absl::Time deadline = absl::Now() + absl::Seconds(60);
  while (absl::Now() < deadline) {
    // It is our child, or, where it was adopted, somebody else's.
    if (waitpid(pid, nullptr, WNOHANG) == pid || !IsAlive(pid)) return absl::OkStatus();
    absl::SleepFor(absl::Milliseconds(20));
  }
  return Unavailable("the private database (process {}) did not stop within 60 s; it is left running", pid);
}

}  // namespace bayward
