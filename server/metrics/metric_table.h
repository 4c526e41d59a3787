// Every metric this server shows, declared once: name, type, unit, labels and meaning. The exposition takes
// type and help from here, so what is not here cannot be shown. Constants; any thread.
#pragma once

#include <span>
#include <string_view>

namespace bayward {

enum class MetricType { kCounter, kGauge, kHistogram };

struct MetricInfo {
  std::string_view name;
  MetricType type;
  std::string_view unit;    // base unit, or "" for a plain number
  std::string_view labels;  // "site, machine"
  std::string_view help;
};

#define BAYWARD_METRICS(METRIC) \
  /* Machines. `machine` is "site/machine", unique in the fleet. */ \
  METRIC(MachineInfo, "bayward_machine_info", Gauge, "", "site, machine, kind, region", \
         "1; what the machine is.") \
  METRIC(MachineCondition, "bayward_machine_condition", Gauge, "", "site, machine, condition", \
         "1 for the condition the machine is in now, 0 for the others (up, degraded, down, " \
         "withheld, unknown, not_required).") \
  METRIC(MachineOpenBlockingFaults, "bayward_machine_open_blocking_faults", Gauge, "", "site, machine", \
         "Blocking faults open now, as last seen.") \
  METRIC(MachineSince, "bayward_machine_condition_since_timestamp_seconds", Gauge, "seconds", \
         "site, machine", \
         "When what explains the condition began. Absent where that is not known.") \
  METRIC(MachineRequired, "bayward_machine_required_seconds_total", Counter, "seconds", "site, machine", \
         "Required time since this process started, as seen live; never corrected by late history.") \
  METRIC(MachineConditionSeconds, "bayward_machine_condition_seconds_total", Counter, "seconds", \
         "site, machine, condition", \
         "Required time spent in each condition since this process started, as seen live; never " \
         "corrected by late history. The conditions sum to bayward_machine_required_seconds_total.") \
  METRIC(MachineCycles, "bayward_machine_cycles_total", Counter, "", "site, machine, outcome", \
         "Wash cycles taken in since this process started, by outcome (completed, aborted).") \
  METRIC(OpenFaults, "bayward_open_faults", Gauge, "", "fault_class", \
         "Faults open now over the whole fleet, by class; not_known_here counts classes newer than " \
         "this server.") \
  /* Agents. */ \
  METRIC(AgentInfo, "bayward_agent_info", Gauge, "", "site, agent, version", \
         "1; which version the agent runs.") \
  METRIC(AgentConnected, "bayward_agent_connected", Gauge, "", "site, agent", \
         "1 while the agent has a stream to this database's servers, 0 otherwise.") \
  METRIC(AgentLastSeen, "bayward_agent_last_seen_timestamp_seconds", Gauge, "seconds", "site, agent", \
         "When the agent was last heard. Absent where it never was.") \
  METRIC(AgentSpoolEvents, "bayward_agent_spool_events", Gauge, "", "site, agent", \
         "Events the agent has recorded and nobody has acknowledged.") \
  METRIC(AgentSpoolBytes, "bayward_agent_spool_bytes", Gauge, "bytes", "site, agent", \
         "Size of the agent's spool.") \
  METRIC(AgentSpoolLimit, "bayward_agent_spool_limit_bytes", Gauge, "bytes", "site, agent", \
         "Size at which the agent begins to drop events. 0: it has not said.") \
  METRIC(AgentWatermarkLag, "bayward_agent_watermark_lag_events", Gauge, "", "site, agent", \
         "Events of the agent's current epoch between the last recorded and the last committed here.") \
  METRIC(AgentDropped, "bayward_agent_dropped_events_total", Counter, "", "site, agent", \
         "Events the agent replaced by tombstones since its spool was made.") \
  METRIC(AgentClockOffset, "bayward_agent_clock_offset_seconds", Gauge, "seconds", "site, agent", \
         "The agent's wall clock minus the server's at the last heartbeat.") \
  /* Ingest, since this process started. */ \
  METRIC(IngestEvents, "bayward_ingest_events_total", Counter, "", "", "Events stored.") \
  METRIC(IngestBatches, "bayward_ingest_batches_total", Counter, "", "", \
         "Batches received, duplicates and refused ones included.") \
  METRIC(IngestDuplicates, "bayward_ingest_duplicate_events_total", Counter, "", "", \
         "Events received again and left out.") \
  METRIC(IngestGaps, "bayward_ingest_gaps_total", Counter, "", "", \
         "Batches refused because events before them are missing.") \
  METRIC(IngestTombstones, "bayward_ingest_tombstoned_events_total", Counter, "", "", \
         "Events that agents dropped and replaced by tombstones.") \
  METRIC(IngestRejected, "bayward_ingest_rejected_events_total", Counter, "", "", \
         "Events kept as rejected, with the reason.") \
  METRIC(IngestParked, "bayward_ingest_parked_events_total", Counter, "", "", \
         "Events parked until their machine is declared.") \
  METRIC(IngestClockErrors, "bayward_ingest_clock_errors_total", Counter, "", "", \
         "Events whose time was over 5 min ahead, stored at their receipt.") \
  METRIC(IngestLostByServer, "bayward_ingest_lost_by_server_events_total", Counter, "", "", \
         "Events that neither the database nor an agent holds any more; their time is unknown.") \
  METRIC(IngestIdentityConflicts, "bayward_ingest_identity_conflicts_total", Counter, "", "", \
         "Streams refused because another one with the same identity answered.") \
  METRIC(IngestSkipped, "bayward_ingest_agents_skipped_total", Counter, "", "", \
         "Times an agent had to wait over 15 s because another writer held it.") \
  METRIC(IngestCommitFailures, "bayward_ingest_commit_failures_total", Counter, "", "", \
         "Ingest transactions that failed; they are tried again.") \
  METRIC(IngestCommitDuration, "bayward_ingest_commit_duration_seconds", Histogram, "seconds", "", \
         "From the begin of an ingest transaction to the return of its commit.") \
  METRIC(IngestQueue, "bayward_ingest_queue_batches", Gauge, "", "", "Batches waiting for a writer.") \
  METRIC(IngestQueueCapacity, "bayward_ingest_queue_capacity", Gauge, "", "", \
         "Batches that may wait before streams are no longer read.") \
  METRIC(IngestStreams, "bayward_ingest_streams", Gauge, "", "", "Agents connected to this server.") \
  METRIC(IngestHeldForDisk, "bayward_ingest_held_for_disk", Gauge, "", "", \
         "1 while streams are not read because the disk is nearly full.") \
  /* This server. */ \
  METRIC(DiskFree, "bayward_disk_free_bytes", Gauge, "bytes", "path", "Free for this server's user.") \
  METRIC(DiskSize, "bayward_disk_size_bytes", Gauge, "bytes", "path", "Size of the file system.") \
  METRIC(SnapshotTime, "bayward_snapshot_timestamp_seconds", Gauge, "seconds", "", \
         "When what the machine and agent metrics show was put together.") \
  METRIC(Series, "bayward_series", Gauge, "", "", "Machine and agent series shown.") \
  METRIC(SeriesLimit, "bayward_series_limit", Gauge, "", "", "Machine and agent series shown at most.") \
  METRIC(SeriesDropped, "bayward_series_dropped_total", Counter, "", "", \
         "Machine and agent series left out because of the limit, over all renderings.") \
  METRIC(ScrapeDuration, "bayward_scrape_duration_seconds", Gauge, "seconds", "", \
         "What the last rendering of these metrics took, this one included.") \
  METRIC(BuildInfo, "bayward_build_info", Gauge, "", "version, compiler", \
         "1; what this server was built from.") \
  METRIC(ProcessCpu, "process_cpu_seconds_total", Counter, "seconds", "", \
         "User and system time of this process.") \
  METRIC(ProcessMemory, "process_resident_memory_bytes", Gauge, "bytes", "", \
         "Resident memory of this process.") \
  METRIC(ProcessVirtual, "process_virtual_memory_bytes", Gauge, "bytes", "", \
         "Virtual memory of this process.") \
  METRIC(ProcessFds, "process_open_fds", Gauge, "", "", "File descriptors this process has open.") \
  METRIC(ProcessMaxFds, "process_max_fds", Gauge, "", "", "File descriptors this process may have open.") \
  METRIC(ProcessThreads, "process_threads", Gauge, "", "", "Threads of this process.") \
  METRIC(ProcessStart, "process_start_time_seconds", Gauge, "seconds", "", "When this process started.")

#define BAYWARD_METRIC_CONSTANT(id, name, type, unit, labels, help) \
  inline constexpr MetricInfo k##id{name, MetricType::k##type, unit, labels, help};
BAYWARD_METRICS(BAYWARD_METRIC_CONSTANT)
#undef BAYWARD_METRIC_CONSTANT

// All of them, in the order of the table above.
std::span<const MetricInfo> MetricTable();

}  // namespace bayward
