// Single values as people read them. Pure: any thread may call.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "absl/time/time.h"

namespace bayward::cli {

// Seconds as hours with one decimal and thousands apart: "12,345.6"; "0" for none, so that it is told from a
// rounded 0.0.
std::string Hours(double seconds);
// "1,234,567".
std::string Count(std::uint64_t count);
// A share in [0, 1] as a percentage without its sign: "97.31". Rounded down where it would read as 100.00 and
// is less.
std::string Percent(double share);

// "45 s", "12 min", "2 h 05 min", "3 d 4 h". Negative ones with a minus.
std::string ReadableDuration(absl::Duration duration);

// Instants from the interface, in microseconds since 1970, 0 for never.
class TimeText {
 public:
  explicit TimeText(absl::TimeZone zone) : zone_(zone) {}

  // "2026-08-01 14:02"; "" for 0.
  std::string Minute(std::int64_t micros) const;
  // "2026-08-01 14:02:33"; "" for 0.
  std::string Second(std::int64_t micros) const;
  // "Europe/Helsinki", or "local time" where the zone has no name of its own.
  std::string ZoneName() const;

 private:
  absl::TimeZone zone_;
};

// Text in lines of at most `width` columns, broken at blanks; the first begins with `first`, the others with
// as many blanks. Ends with a line feed.
std::string Wrap(std::string_view first, std::string_view text, std::size_t width);

}  // namespace bayward::cli
