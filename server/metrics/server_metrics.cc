#include "server/metrics/server_metrics.h"

#include <sys/resource.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string_view>

namespace bayward {
namespace {

double Value(const std::atomic<std::uint64_t>& count) {
  return static_cast<double>(count.load(std::memory_order_relaxed));
}

double Seconds(const timeval& time) {
  return static_cast<double>(time.tv_sec) + static_cast<double>(time.tv_usec) / 1e6;
}

// The fields of /proc/self/stat after the program's name, which may hold spaces: the first is field 3.
std::istringstream ReadStat() {
  std::ifstream file("/proc/self/stat");
  std::string line;
  std::getline(file, line);
  const std::size_t name_end = line.rfind(')');
  return std::istringstream(name_end == std::string::npos ? std::string() : line.substr(name_end + 1));
}

// Seconds since the epoch when the kernel booted; 0 where /proc/stat does not say.
double BootTime() {
  std::ifstream file("/proc/stat");
  std::string line;
  while (std::getline(file, line)) {
    if (line.starts_with("btime ")) return std::stod(line.substr(6));
  }
  return 0;
}

void WriteFromStat(SeriesWriter& out) {
  constexpr int kThreads = 20, kStart = 22, kVirtual = 23, kResident = 24;  // proc(5)
  std::istringstream stat = ReadStat();
  std::array<double, kResident + 1> field{};
  std::string state;
  stat >> state;
  for (int i = 4; i <= kResident; ++i) stat >> field[static_cast<std::size_t>(i)];
  if (!stat) return;
  out.AddOnly(kProcessMemory, field[kResident] * static_cast<double>(sysconf(_SC_PAGESIZE)));
  out.AddOnly(kProcessVirtual, field[kVirtual]);
  out.AddOnly(kProcessThreads, field[kThreads]);
  const double booted = BootTime();
  if (booted > 0)
    out.AddOnly(kProcessStart, booted + field[kStart] / static_cast<double>(sysconf(_SC_CLK_TCK)));
}

void WriteDescriptors(SeriesWriter& out) {
  std::error_code error;
  std::filesystem::directory_iterator entries("/proc/self/fd", error);
  if (!error) {
    double open = -1;  // the one that reads the directory
    for (; !error && entries != std::filesystem::directory_iterator(); entries.increment(error)) ++open;
    out.AddOnly(kProcessFds, open);
  }
  rlimit limit{};
  if (getrlimit(RLIMIT_NOFILE, &limit) == 0) out.AddOnly(kProcessMaxFds, static_cast<double>(limit.rlim_cur));
}

}  // namespace

void WriteIngestMetrics(const IngestCounts& counts, SeriesWriter& out) {
  out.AddOnly(kIngestEvents, Value(counts.events));
  out.AddOnly(kIngestBatches, Value(counts.batches));
  out.AddOnly(kIngestDuplicates, Value(counts.duplicates));
  out.AddOnly(kIngestGaps, Value(counts.gaps));
  out.AddOnly(kIngestTombstones, Value(counts.tombstones));
  out.AddOnly(kIngestRejected, Value(counts.rejected));
  out.AddOnly(kIngestParked, Value(counts.parked));
  out.AddOnly(kIngestClockErrors, Value(counts.clock_errors));
  out.AddOnly(kIngestLostByServer, Value(counts.lost_by_server));
  out.AddOnly(kIngestIdentityConflicts, Value(counts.identity_conflicts));
  out.AddOnly(kIngestSkipped, Value(counts.agents_skipped_long));
  out.AddOnly(kIngestCommitFailures, Value(counts.commit_failures));
  std::array<std::uint64_t, IngestCounts::kCommitBounds.size() + 1> buckets{};
  for (std::size_t i = 0; i < buckets.size(); ++i)
    buckets[i] = counts.commit_buckets[i].load(std::memory_order_relaxed);
  out.Begin(kIngestCommitDuration);
  out.AddHistogram(IngestCounts::kCommitBounds, buckets, Value(counts.commit_micros) / 1e6);
  out.AddOnly(kIngestQueue, Value(counts.queue_batches));
  out.AddOnly(kIngestQueueCapacity, Value(counts.queue_capacity));
  out.AddOnly(kIngestStreams, Value(counts.streams));
  out.AddOnly(kIngestHeldForDisk, counts.held_for_disk.load() ? 1 : 0);
}

void WriteDiskMetrics(const std::vector<std::string>& paths, SeriesWriter& out) {
  const auto each = [&paths, &out](const MetricInfo& metric, auto blocks) {
    out.Begin(metric);
    for (const std::string& path : paths) {
      struct statvfs disk {};
      if (statvfs(path.c_str(), &disk) != 0) continue;
      out.Add(MakeLabels({{"path", path}}),
              static_cast<double>(blocks(disk)) * static_cast<double>(disk.f_frsize));
    }
  };
  each(kDiskFree, [](const struct statvfs& disk) { return disk.f_bavail; });
  each(kDiskSize, [](const struct statvfs& disk) { return disk.f_blocks; });
}

void WriteBuildInfo(SeriesWriter& out) {
  out.Begin(kBuildInfo);
  out.Add(MakeLabels({{"version", BAYWARD_VERSION}, {"compiler", __VERSION__}}), 1);
}

void WriteProcessMetrics(SeriesWriter& out) {
  rusage usage{};
  if (getrusage(RUSAGE_SELF, &usage) == 0) {
    out.AddOnly(kProcessCpu, Seconds(usage.ru_utime) + Seconds(usage.ru_stime));
  }
  WriteFromStat(out);
  WriteDescriptors(out);
}

}  // namespace bayward
