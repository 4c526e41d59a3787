// The text that GET /metrics answers: the fleet as it is now and the server itself, rendered at most once a
// second and shared by everybody who asks in between. Thread-safe; rendering 20,000 machines takes about
// 0.15 s, so Current() belongs on a worker, not on an io thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "proto/common/clock.h"
#include "server/ingest/ingest_counts.h"
#include "server/live/live_fleet.h"
#include "server/metrics/series_writer.h"

namespace bayward {

struct MetricsOptions {
  // Machine and agent series shown at most; what is beyond is counted in bayward_series_dropped_total. A
  // machine has up to 17, an agent up to 9: 100,000 are enough for about 5,000 machines.
  std::size_t fleet_series_max = 100'000;
  std::vector<std::string> disk_paths;  // whose free space is shown, each once
};

class MetricsPage {
 public:
  // What it reads outlives it. `clock` decides how old a rendering is.
  MetricsPage(const LiveFleet& fleet, const IngestCounts& ingest, MetricsOptions options, const Clock& clock);

  // Prometheus's exposition format 0.0.4; never null. The fleet's part is rendered again only when the
  // snapshot is another one.
  std::shared_ptr<const std::string> Current();

 private:
  void RenderFleet() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  const LiveFleet& fleet_;
  const IngestCounts& ingest_;
  const MetricsOptions options_;
  const Clock& clock_;

  absl::Mutex mutex_;
  std::shared_ptr<const std::string> page_ ABSL_GUARDED_BY(mutex_);
  absl::Duration rendered_at_ ABSL_GUARDED_BY(mutex_);                    // monotonic
  std::shared_ptr<const LiveSnapshot> snapshot_ ABSL_GUARDED_BY(mutex_);  // that fleet_text_ shows
  std::string fleet_text_ ABSL_GUARDED_BY(mutex_);
  SeriesCount fleet_series_ ABSL_GUARDED_BY(mutex_);
  std::uint64_t dropped_ever_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace bayward
