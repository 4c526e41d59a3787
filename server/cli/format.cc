#include "server/cli/format.h"

#include <cmath>

#include "fmt/format.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

// Puts a comma between groups of three digits before the point.
std::string Grouped(std::string number) {
  const std::size_t first = number.starts_with('-') ? 1 : 0;
  std::size_t at = std::min(number.find('.'), number.size());
  while (at > first + 3) {
    at -= 3;
    number.insert(at, ",");
  }
  return number;
}

std::string InZone(std::int64_t micros, const char* format, absl::TimeZone zone) {
  return micros == 0 ? "" : absl::FormatTime(format, absl::FromUnixMicros(micros), zone);
}

}  // namespace

std::string Hours(double seconds) {
  return seconds == 0 ? "0" : Grouped(fmt::format("{:.1f}", seconds / 3600));
}

std::string Count(std::uint64_t count) { return Grouped(std::to_string(count)); }

std::string Percent(double share) {
  const double percent = share * 100;
  if (share < 1 && percent > 99.99) return "99.99";
  return fmt::format("{:.2f}", percent);
}

std::string ReadableDuration(absl::Duration duration) {
  if (duration < absl::ZeroDuration()) return "-" + ReadableDuration(-duration);
  const std::int64_t seconds = absl::ToInt64Seconds(duration);
  if (seconds < 60) return fmt::format("{} s", seconds);
  const std::int64_t minutes = seconds / 60;
  if (minutes < 60) return fmt::format("{} min", minutes);
  const std::int64_t hours = minutes / 60;
  if (hours < 48) return fmt::format("{} h {:02} min", hours, minutes % 60);
  return fmt::format("{} d {} h", hours / 24, hours % 24);
}

std::string TimeText::Minute(std::int64_t micros) const { return InZone(micros, "%E4Y-%m-%d %H:%M", zone_); }
std::string TimeText::Second(std::int64_t micros) const {
  return InZone(micros, "%E4Y-%m-%d %H:%M:%S", zone_);
}

std::string TimeText::ZoneName() const {
  const std::string name = zone_.name();
  return name == "localtime" || name.starts_with('/') ? "local time" : name;
}

std::string Wrap(std::string_view first, std::string_view text, std::size_t width) {
  const std::string blanks(DisplayWidth(first), ' ');
  std::string out(first);
  std::size_t used = blanks.size();
  bool at_start = true;
  while (!text.empty()) {
    const std::size_t end = std::min(text.find(' '), text.size());
    const std::string_view word = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    const std::size_t needs = DisplayWidth(word) + (at_start ? 0 : 1);
    if (!at_start && used + needs > width) {
      out += "\n" + blanks;
      used = blanks.size();
      at_start = true;
    }
    if (!at_start) out += ' ';
    out.append(word);
    used += DisplayWidth(word) + (at_start ? 0 : 1);
    at_start = false;
  }
  return out + "\n";
}

}  // namespace bayward::cli
