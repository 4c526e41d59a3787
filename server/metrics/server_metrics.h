// The series of this server itself: ingest, disk and process. Reads counters and /proc; any thread.
#pragma once

#include <string>
#include <vector>

#include "server/ingest/ingest_counts.h"
#include "server/metrics/series_writer.h"

namespace bayward {

void WriteIngestMetrics(const IngestCounts& counts, SeriesWriter& out);

// Free space and size of the file system under each path; a path that cannot be examined is left out.
void WriteDiskMetrics(const std::vector<std::string>& paths, SeriesWriter& out);

void WriteBuildInfo(SeriesWriter& out);

// The process_* metrics that Prometheus's client libraries agree on, from /proc; what cannot be read is left
// out.
void WriteProcessMetrics(SeriesWriter& out);

}  // namespace bayward
