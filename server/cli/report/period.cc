#include "server/cli/report/period.h"

#include <optional>

#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward::cli::report {
namespace {

constexpr int kYearMin = 1970;

constexpr const char* kMonths[] = {"January", "February", "March",     "April",   "May",      "June",
                                   "July",    "August",   "September", "October", "November", "December"};

// Exactly `digits` digits.
std::optional<int> Number(std::string_view text, std::size_t digits) {
  if (text.size() != digits) return std::nullopt;
  int value = 0;
  for (const char c : text) {
    if (c < '0' || c > '9') return std::nullopt;
    value = value * 10 + (c - '0');
  }
  return value;
}

std::string DateText(absl::CivilDay day) { return absl::FormatCivilTime(day); }

// Week 1 is the one that holds 4 January (ISO 8601).
absl::CivilDay MondayOfWeekOne(int year) {
  const absl::CivilDay fourth(year, 1, 4);
  return absl::PrevWeekday(fourth + 1, absl::Weekday::monday);
}

std::optional<Period> Year(int year) {
  return Period{"", fmt::format("the year {}", year), absl::CivilDay(year), absl::CivilDay(year + 1), v1::STEP_MONTH};
}

std::optional<Period> Month(int year, std::string_view text) {
  const auto month = Number(text, 2);
  if (!month || *month < 1 || *month > 12) return std::nullopt;
  const absl::CivilMonth first(year, *month);
  return Period{"", fmt::format("{} {}", kMonths[*month - 1], year), absl::CivilDay(first), absl::CivilDay(first + 1),
                v1::STEP_DAY};
}

std::optional<Period> Quarter(int year, std::string_view text) {
  const auto quarter = Number(text, 1);
  if (!quarter || *quarter < 1 || *quarter > 4) return std::nullopt;
  const absl::CivilMonth first(year, 3 * *quarter - 2);
  return Period{"", fmt::format("{} to {} {}", kMonths[3 * *quarter - 3], kMonths[3 * *quarter - 1], year),
                absl::CivilDay(first), absl::CivilDay(first + 3), v1::STEP_WEEK};
}

std::optional<Period> Week(int year, std::string_view text) {
  const auto week = Number(text, 2);
  const absl::CivilDay first = MondayOfWeekOne(year);
  const auto weeks = (MondayOfWeekOne(year + 1) - first) / 7;
  if (!week || *week < 1 || *week > weeks) return std::nullopt;
  const absl::CivilDay from = first + 7 * (*week - 1);
  return Period{"", fmt::format("week {} of {}", *week, year), from, from + 7, v1::STEP_DAY};
}

std::optional<Period> Parse(std::string_view text) {
  const auto year = Number(text.substr(0, 4), 4);
  if (!year || *year < kYearMin) return std::nullopt;
  if (text.size() == 4) return Year(*year);
  if (text[4] != '-') return std::nullopt;
  const std::string_view rest = text.substr(5);
  if (rest.starts_with('Q')) return Quarter(*year, rest.substr(1));
  if (rest.starts_with('W')) return Week(*year, rest.substr(1));
  return Month(*year, rest);
}

}  // namespace

v1::Window Period::Window() const {
  v1::Window window;
  window.set_from(DateText(from));
  window.set_to(DateText(to));
  return window;
}

std::string Period::VerdictMonth(absl::Time now) const {
  // Civil time is latest at UTC-12: what is over there is over everywhere.
  const absl::CivilDay today = absl::ToCivilDay(now, absl::FixedTimeZone(-12 * 3600));
  const absl::CivilMonth end(to);
  return absl::CivilDay(end) <= today ? absl::FormatCivilTime(end - 1) : "last";
}

absl::StatusOr<Period> ParsePeriod(std::string_view text, absl::Time now) {
  std::optional<Period> period = Parse(text);
  if (!period) {
    return InvalidArgument(
        "--period: expected a month (2026-08), an ISO week (2026-W35), a quarter (2026-Q3) or a year (2026), found "
        "\"{}\"",
        text);
  }
  period->text = text;
  // At UTC+14 a day begins first.
  if (const absl::CivilDay today = absl::ToCivilDay(now, absl::FixedTimeZone(14 * 3600)); period->from > today) {
    return InvalidArgument("--period: {} begins on {}, which is still to come; ask for one that has begun", text,
                           DateText(period->from));
  }
  return *std::move(period);
}

}  // namespace bayward::cli::report
