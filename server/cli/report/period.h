// The stretch of calendar that a report covers. Pure: any thread may call.
#pragma once

#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "bayward/v1/window.pb.h"

namespace bayward::cli::report {

// [from, to) in days of each site's own calendar.
struct Period {
  std::string text;  // as asked for: "2026-08"
  std::string name;  // in words: "August 2026"
  absl::CivilDay from;
  absl::CivilDay to;
  v1::Step step = v1::STEP_DAY;  // of a series over it: some 30 steps at most

  v1::Window Window() const;
  // The last calendar month that ends within the period and is over everywhere at `now`: "2026-08"; "last" where the
  // period's own is not over yet.
  std::string VerdictMonth(absl::Time now) const;
};

// "2026-08", "2026-W35" (ISO 8601), "2026-Q3" or "2026". InvalidArgument for anything else, and for a period that has
// begun nowhere at `now`.
absl::StatusOr<Period> ParsePeriod(std::string_view text, absl::Time now);

}  // namespace bayward::cli::report
