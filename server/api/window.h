// The window of time a request asks about, at each site in the site's own time. Pure: any thread may call.
#pragma once

#include <span>

#include "absl/container/flat_hash_map.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "bayward/v1/figures.pb.h"
#include "server/model/fleet.h"
#include "server/model/interval.h"

namespace bayward {

// A report over more is refused: nobody reads it, and its required time takes long to lay out.
inline constexpr int kWindowDaysMax = 3660;

struct SiteWindows {
  // [from, min(to, now)) of each site; empty where a site's day has not begun yet.
  absl::flat_hash_map<SiteId, Interval> of;
  // The same with what is still to come of them.
  absl::flat_hash_map<SiteId, Interval> whole;
  // From the earliest begin to the latest end of those that are not empty.
  Interval hull;
  bool by_date = false;  // an edge is a date, so that sites in different zones have different windows
};

// `from` and `to` are instants (RFC 3339) or site-local dates, which stand for the site's own midnight; an
// empty `to` is now. InvalidArgument where an edge cannot be read, `from` is missing or not before `to` at
// some site, the window has begun nowhere or is longer than kWindowDaysMax.
absl::StatusOr<SiteWindows> ResolveWindow(const v1::Window& window, std::span<const Site* const> sites,
                                          absl::Time now);

// The site's zone at an instant.
const ZoneSpan& ZoneAt(const Calendar& calendar, absl::Time at);

}  // namespace bayward
