#include "server/api/window.h"

#include <algorithm>
#include <string>
#include <string_view>
#include <variant>

#include "proto/common/status.h"
#include "server/api/scope.h"
#include "server/registry/values.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

using Edge = std::variant<absl::Time, absl::CivilDay>;

absl::StatusOr<Edge> ParseEdge(std::string_view name, std::string_view text) {
  if (const auto day = kDayFormat.parse(text)) return Edge(*day);
  if (const auto instant = kInstantFormat.parse(text)) return Edge(*instant);
  return InvalidArgument("window.{}: expected {} (each site's own midnight) or {}, found {}", name,
                         kDayFormat.expected, kInstantFormat.expected,
                         text.empty() ? "nothing" : Quoted(text));
}

absl::Time At(const Edge& edge, const Calendar& calendar) {
  if (const auto* instant = std::get_if<absl::Time>(&edge)) return *instant;
  return StartOfDay(calendar, std::get<absl::CivilDay>(edge));
}

absl::Status CheckOrder(const Interval& asked, const v1::Window& window, const Site& site) {
  if (asked.empty()) {
    return InvalidArgument("expected a window that begins before it ends; at site {} {} is not before {}",
                           site.key, window.from(), window.to());
  }
  if (asked.length() > absl::Hours(24) * kWindowDaysMax) {
    return InvalidArgument("expected a window of at most {} days, found {}", kWindowDaysMax,
                           absl::ToInt64Hours(asked.length()) / 24);
  }
  return absl::OkStatus();
}

void Widen(Interval& hull, const Interval& by) {
  if (hull.empty()) {
    hull = by;
  } else {
    hull = {std::min(hull.start, by.start), std::max(hull.end, by.end)};
  }
}

}  // namespace

absl::StatusOr<SiteWindows> ResolveWindow(const v1::Window& window, std::span<const Site* const> sites,
                                          absl::Time now) {
  BAYWARD_ASSIGN_OR_RETURN(const Edge from, ParseEdge("from", window.from()));
  Edge to = now;
  if (!window.to().empty()) {
    BAYWARD_ASSIGN_OR_RETURN(to, ParseEdge("to", window.to()));
  }
  SiteWindows windows;
  windows.by_date =
      std::holds_alternative<absl::CivilDay>(from) || std::holds_alternative<absl::CivilDay>(to);
  for (const Site* site : sites) {
    const absl::Time starts = At(from, site->calendar);
    const absl::Time ends = At(to, site->calendar);
    // Without `to`, a window that begins in the future is one that has not begun, not one that is the wrong
    // way round.
    if (!window.to().empty() || starts < now)
      BAYWARD_RETURN_IF_ERROR(CheckOrder({starts, ends}, window, *site));
    const Interval clipped{starts, std::max(starts, std::min(ends, now))};
    windows.of[site->id] = clipped;
    windows.whole[site->id] = {starts, std::max(starts, ends)};
    if (!clipped.empty()) Widen(windows.hull, clipped);
  }
  if (!sites.empty() && windows.hull.empty()) {
    return InvalidArgument("expected a window that has begun; {} is still to come", window.from());
  }
  return windows;
}

const ZoneSpan& ZoneAt(const Calendar& calendar, absl::Time at) {
  static const ZoneSpan utc{absl::CivilDay::min(), "UTC", absl::UTCTimeZone()};
  if (calendar.zones.empty()) return utc;
  std::size_t row = 0;
  while (row + 1 < calendar.zones.size() && StartOfDay(calendar, calendar.zones[row + 1].valid_from) <= at)
    ++row;
  return calendar.zones[row];
}

}  // namespace bayward
