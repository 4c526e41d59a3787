#include "server/metrics/metrics_page.h"

#include <chrono>
#include <utility>

#include "server/metrics/fleet_metrics.h"
#include "server/metrics/server_metrics.h"
#include "server/metrics/time_value.h"

namespace bayward {
namespace {

constexpr absl::Duration kRenderingAgeMax = absl::Seconds(1);

}  // namespace

MetricsPage::MetricsPage(const LiveFleet& fleet, const IngestCounts& ingest, MetricsOptions options,
                         const Clock& clock)
    : fleet_(fleet), ingest_(ingest), options_(std::move(options)), clock_(clock) {}

std::shared_ptr<const std::string> MetricsPage::Current() {
  absl::MutexLock lock(&mutex_);
  const absl::Duration now = clock_.Monotonic();
  if (page_ != nullptr && now - rendered_at_ < kRenderingAgeMax) return page_;

  const auto begun = std::chrono::steady_clock::now();
  RenderFleet();
  SeriesWriter own;
  WriteIngestMetrics(ingest_, own);
  WriteDiskMetrics(options_.disk_paths, own);
  if (snapshot_->as_of > absl::InfinitePast()) own.AddOnly(kSnapshotTime, UnixSeconds(snapshot_->as_of));
  own.AddOnly(kSeries, static_cast<double>(fleet_series_.written));
  own.AddOnly(kSeriesLimit, static_cast<double>(options_.fleet_series_max));
  own.AddOnly(kSeriesDropped, static_cast<double>(dropped_ever_));
  WriteBuildInfo(own);
  WriteProcessMetrics(own);
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - begun;
  own.AddOnly(kScrapeDuration, took.count());

  page_ = std::make_shared<const std::string>(fleet_text_ + own.Take());
  rendered_at_ = now;
  return page_;
}

void MetricsPage::RenderFleet() {
  std::shared_ptr<const LiveSnapshot> snapshot = fleet_.Current();
  if (snapshot != snapshot_) {
    SeriesWriter fleet(options_.fleet_series_max);
    WriteFleetMetrics(*snapshot, fleet);
    fleet_text_ = fleet.Take();
    fleet_series_ = fleet.series();
    snapshot_ = std::move(snapshot);
  }
  dropped_ever_ += fleet_series_.dropped;
}

}  // namespace bayward
