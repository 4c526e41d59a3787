// Which calendar months and weeks are over, and the windows that held figures look at. Pure: any thread may call.
#pragma once

#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "bayward/v1/window.pb.h"
#include "server/model/fleet.h"

namespace bayward {

inline constexpr int kTrendMonths = 12;
inline constexpr int kWorseListWeeks = 26;

struct HeldPeriod {
  std::string name;  // "2026-10", "2026-W43"
  absl::Time ends;   // everywhere
  v1::Window window;
};

// The latest calendar month that is over at every site of the fleet, by each site's own clock.
absl::CivilMonth LastWholeMonth(const Fleet& fleet, absl::Time now);

// A month's name, end, and the twelve whole months up to its end at each site.
HeldPeriod TrendPeriod(const Fleet& fleet, absl::CivilMonth month);

// The month that a request names: "2026-10", or "last". InvalidArgument for anything else or a year outside 1970 to
// 2199, FailedPrecondition for a month that is not over at every site; the message names the last whole one.
absl::StatusOr<absl::CivilMonth> WantedMonth(const Fleet& fleet, std::string_view text, absl::Time now);

// The last ISO week (Monday 00:00 UTC to Monday) that is over, with the 26 weeks up to its end.
HeldPeriod LastWholeWeek(absl::Time now);

}  // namespace bayward
