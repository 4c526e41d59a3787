// The fleet's own series: what each machine and each agent does now. A pure function of the snapshot; any
// thread.
#pragma once

#include "server/live/live_fleet.h"
#include "server/metrics/series_writer.h"

namespace bayward {

// Writes the series of the machines and agents that the snapshot's fleet declares, in the order of the metric
// table: where the writer's limit is reached, the table's later metrics and each metric's later machines are
// left out, the same ones every time. Rehearsal faults count in a demonstration fleet only.
void WriteFleetMetrics(const LiveSnapshot& snapshot, SeriesWriter& out);

}  // namespace bayward
