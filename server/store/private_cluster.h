// A PostgreSQL cluster of the server's own, in its data directory: unix socket only, run as an unprivileged user. One
// thread at a time.
#pragma once

#include <memory>
#include <string>

#include <sys/types.h>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

namespace bayward {

struct PrivateClusterOptions {
  std::string directory;          // made where missing; holds "cluster", "socket" and "cluster.log"
  std::string run_as = "postgres";  // used when this process is root: PostgreSQL refuses to run as root
  std::string binaries;           // directory of initdb and postgres; empty: the newest under /usr/lib/postgresql
  bool durable = true;            // false only for tests: fsync off
};

class PrivateCluster {
 public:
  // Makes the cluster where there is none, and starts it. A cluster that still runs, because the server was killed, is
  // adopted; one that another living server has is not. FailedPrecondition says what is missing or in the way.
  static absl::StatusOr<PrivateCluster> Start(const PrivateClusterOptions& options);

  // Connection string of the database "bayward" in it.
  const std::string& url() const { return url_; }
  pid_t postmaster() const { return postmaster_; }

  // Starts it again where it has ended, killed by somebody or by the system; true where that was so. Call it every
  // second or so.
  absl::StatusOr<bool> Revive();

  // Ends it (fast shutdown: open transactions are rolled back). Idempotent.
  absl::Status Stop();

 private:
  absl::Status Launch();

  PrivateClusterOptions options_;  // directory absolute, binaries found
  std::string url_;
  pid_t postmaster_ = 0;
  std::shared_ptr<void> lock_;  // on the directory, as long as any copy of this lives
};

}  // namespace bayward
