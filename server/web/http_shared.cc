#include <utility>

#include "server/web/http_connection.h"

namespace bayward {
namespace {

// Connections beyond the bound that are still told why they are refused.
constexpr std::size_t kRefusedAtOnceMax = 64;

}  // namespace

const HttpRoute* HttpShared::FindRoute(std::string_view path) const {
  const HttpRoute* best = nullptr;
  for (const HttpRoute& route : routes_) {
    const bool fits = route.is_prefix ? path.starts_with(route.path) : path == route.path;
    if (fits && (best == nullptr || route.path.size() > best->path.size())) best = &route;
  }
  return best;
}

WorkerPool& HttpShared::PoolOf(const HttpRoute& route) const {
  return route.runs_on == HttpRunsOn::kScrapeThread ? scraper_ : workers_;
}

HttpShared::Admission HttpShared::Enter(const void* id, Handle handle) {
  absl::MutexLock lock(&mutex_);
  const std::size_t open = connections_.size();
  if (stopping() || open >= options.connections_max + kRefusedAtOnceMax) return Admission::kDrop;
  connections_.emplace(id, std::move(handle));
  return open < options.connections_max ? Admission::kServe : Admission::kRefuse;
}

void HttpShared::Leave(const void* id) {
  absl::MutexLock lock(&mutex_);
  connections_.erase(id);
}

bool HttpShared::ReserveBody(std::uint64_t bytes) {
  if (body_bytes_.fetch_add(bytes) + bytes <= options.bodies_in_flight_bytes_max) return true;
  body_bytes_.fetch_sub(bytes);
  return false;
}

void HttpShared::ReleaseBody(std::uint64_t bytes) { body_bytes_.fetch_sub(bytes); }

void HttpShared::BeginStop() {
  absl::MutexLock lock(&mutex_);
  stopping_.store(true);
  for (const auto& [id, handle] : connections_) handle.stop();
}

void HttpShared::AwaitQuiet(absl::Time deadline) {
  absl::MutexLock lock(&mutex_);
  const auto quiet = [this]()
                         ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return stopping() && connections_.empty(); };
  mutex_.AwaitWithDeadline(absl::Condition(&quiet), deadline);
}

void HttpShared::AbortAll() {
  absl::MutexLock lock(&mutex_);
  stopping_.store(true);
  for (const auto& [id, handle] : connections_) handle.abort();
}

}  // namespace bayward
