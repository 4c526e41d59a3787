#include "server/registry/values.h"

#include <algorithm>
#include <cstddef>

#include "fmt/format.h"
#include "proto/common/capabilities.h"

namespace bayward {
namespace {

constexpr int kMinutesADay = 1440;
constexpr std::size_t kKeyMax = 40;
constexpr std::size_t kTextMax = 200;
constexpr int kFirstYear = 1970;
constexpr int kLastYear = 2199;

bool IsDigit(char c) { return c >= '0' && c <= '9'; }
bool IsLower(char c) { return c >= 'a' && c <= 'z'; }

// Exactly `count` digits at `at`, or -1.
int Digits(std::string_view text, std::size_t at, std::size_t count) {
  if (at + count > text.size()) return -1;
  int value = 0;
  for (std::size_t i = at; i < at + count; ++i) {
    if (!IsDigit(text[i])) return -1;
    value = value * 10 + (text[i] - '0');
  }
  return value;
}

std::optional<std::string> ParseKey(std::string_view text) {
  const bool good =
      !text.empty() && text.size() <= kKeyMax &&
      std::all_of(text.begin(), text.end(), [](char c) { return IsLower(c) || IsDigit(c) || c == '-'; });
  return good ? std::optional(std::string(text)) : std::nullopt;
}

std::optional<std::string> ParseKind(std::string_view text) {
  const bool good = !text.empty() && text.size() <= kKeyMax &&
                    std::all_of(text.begin(), text.end(),
                                [](char c) { return IsLower(c) || IsDigit(c) || c == '-' || c == '_'; });
  return good ? std::optional(std::string(text)) : std::nullopt;
}

std::optional<std::string> ParsePlainText(std::string_view text) {
  const bool good =
      !text.empty() && text.size() <= kTextMax && std::all_of(text.begin(), text.end(), [](char c) {
        const auto byte = static_cast<unsigned char>(c);
        return byte >= 0x20 && byte != 0x7f;
      });
  return good ? std::optional(std::string(text)) : std::nullopt;
}

std::optional<std::string> ParseCurrency(std::string_view text) {
  const bool good =
      text.size() == 3 && std::all_of(text.begin(), text.end(), [](char c) { return c >= 'A' && c <= 'Z'; });
  return good ? std::optional(std::string(text)) : std::nullopt;
}

std::optional<std::string> ParseAttendance(std::string_view text) {
  return text == "attended" || text == "unattended" ? std::optional(std::string(text)) : std::nullopt;
}

// Only plain names: the loader would also take paths and the host's own zone.
std::optional<std::string> ParseZone(std::string_view text) {
  const bool plain =
      !text.empty() && text != "localtime" && std::all_of(text.begin(), text.end(), [](char c) {
        return IsLower(c) || (c >= 'A' && c <= 'Z') || IsDigit(c) || c == '_' || c == '/' || c == '+' ||
               c == '-';
      });
  if (!plain || text.front() == '/') return std::nullopt;
  std::string name(text);
  absl::TimeZone zone;
  return absl::LoadTimeZone(name, &zone) ? std::optional(std::move(name)) : std::nullopt;
}

std::optional<std::string> ParseMachineName(std::string_view text) {
  const std::size_t slash = text.find('/');
  if (slash == std::string_view::npos) return std::nullopt;
  if (!ParseKey(text.substr(0, slash)) || !ParseKey(text.substr(slash + 1))) return std::nullopt;
  return std::string(text);
}

std::optional<absl::CivilDay> ParseDay(std::string_view text) {
  if (text.size() != 10 || text[4] != '-' || text[7] != '-') return std::nullopt;
  const int year = Digits(text, 0, 4), month = Digits(text, 5, 2), day = Digits(text, 8, 2);
  if (year < kFirstYear || year > kLastYear || month < 0 || day < 0) return std::nullopt;
  const absl::CivilDay date(year, month, day);
  // An impossible date was carried over into the next month.
  return date.month() == month && date.day() == day ? std::optional(date) : std::nullopt;
}

// "HH:MM" as minutes, at most `max`.
std::optional<int> ParseClock(std::string_view text, int max) {
  if (text.size() != 5 || text[2] != ':') return std::nullopt;
  const int hour = Digits(text, 0, 2), minute = Digits(text, 3, 2);
  if (hour < 0 || minute < 0 || minute > 59 || hour * 60 + minute > max) return std::nullopt;
  return hour * 60 + minute;
}

std::optional<absl::CivilSecond> ParseCivil(std::string_view text) {
  if (text.size() < 16 || (text[10] != 'T' && text[10] != ' ')) return std::nullopt;
  const auto day = ParseDay(text.substr(0, 10));
  const auto minutes = ParseClock(text.substr(11, 5), kMinutesADay - 1);
  if (!day || !minutes) return std::nullopt;
  int second = 0;
  if (text.size() > 16) {
    second = text.size() == 19 && text[16] == ':' ? Digits(text, 17, 2) : -1;
    if (second < 0 || second > 59) return std::nullopt;
  }
  return absl::CivilSecond(absl::CivilMinute(*day) + *minutes) + second;
}

std::optional<absl::Time> ParseInstant(std::string_view text) {
  // Absl's parser is laxer than we are with blanks, short fields and words.
  if (text.size() < 17 || !ParseCivil(text.substr(0, 16))) return std::nullopt;
  const std::string padded = (text[16] == ':' ? std::string(text) : std::string(text).insert(16, ":00"));
  absl::Time instant;
  std::string error;
  if (padded.find(' ', 11) != std::string::npos) return std::nullopt;
  const char* format = padded[10] == 'T' ? "%Y-%m-%dT%H:%M:%E*S%Ez" : "%Y-%m-%d %H:%M:%E*S%Ez";
  return absl::ParseTime(format, padded, &instant, &error) ? std::optional(instant) : std::nullopt;
}

std::optional<DayHours> ParseHours(std::string_view text) {
  if (text.size() != 11 || text[5] != '-') return std::nullopt;
  const auto open = ParseClock(text.substr(0, 5), kMinutesADay - 1);
  const auto close = ParseClock(text.substr(6), kMinutesADay);
  if (!open || !close || *open == *close) return std::nullopt;
  return DayHours{*open, *close > *open ? *close : *close + kMinutesADay};
}

std::optional<std::int64_t> ParsePrice(std::string_view text) {
  const std::size_t point = std::min(text.find('.'), text.size());
  const std::string_view whole = text.substr(0, point);
  std::string_view fraction = text.substr(std::min(point + 1, text.size()));
  const bool good = !whole.empty() && whole.size() <= 8 && fraction.size() <= 4 &&
                    (point == text.size() || !fraction.empty());
  if (!good) return std::nullopt;
  const std::int64_t units = Digits(whole, 0, whole.size());
  std::int64_t rest = fraction.empty() ? 0 : Digits(fraction, 0, fraction.size());
  if (units < 0 || rest < 0) return std::nullopt;
  for (std::size_t i = fraction.size(); i < 4; ++i) rest *= 10;
  return units * 10000 + rest;
}

std::string FormatClock(int minute) { return fmt::format("{:02}:{:02}", minute / 60, minute % 60); }

}  // namespace

const TextFormat<std::string> kKeyFormat = {"1 to 40 of the characters a-z, 0-9 and -", ParseKey};
const TextFormat<std::string> kKindFormat = {
    "1 to 40 of the characters a-z, 0-9, _ and -, such as \"gantry\"", ParseKind};
const TextFormat<std::string> kPlainTextFormat = {"text of 1 to 200 bytes without control characters",
                                                  ParsePlainText};
const TextFormat<std::string> kCurrencyFormat = {"an ISO 4217 code such as \"EUR\"", ParseCurrency};
const TextFormat<std::string> kAttendanceFormat = {"\"attended\" or \"unattended\"", ParseAttendance};
const TextFormat<std::string> kZoneFormat = {
    "a zone of the IANA time zone database such as \"Europe/Helsinki\"", ParseZone};
const TextFormat<std::string> kMachineNameFormat = {"\"site/machine\"", ParseMachineName};
const TextFormat<absl::CivilDay> kDayFormat = {"a date such as \"2026-10-03\", from 1970 to 2199", ParseDay};
const TextFormat<absl::CivilSecond> kCivilFormat = {
    "a date and time at the site such as \"2026-10-03T08:00\", without a zone", ParseCivil};
const TextFormat<absl::Time> kInstantFormat = {
    "an instant such as \"2026-09-20T10:00Z\" or \"2026-09-20T12:00+02:00\"", ParseInstant};
const TextFormat<DayHours> kHoursFormat = {
    "hours such as \"07:00-22:00\", \"20:00-02:00\" (past midnight) or \"00:00-24:00\" (all day)",
    ParseHours};
const TextFormat<std::int64_t> kPriceFormat = {"a price as text such as \"14.90\", with at most 4 decimals",
                                               ParsePrice};
const TextFormat<std::int32_t> kCapabilityFormat = {
    "what a programme can need, such as \"wash\", \"high_pressure\" or \"dry\"", FindCapability, CapabilityNames};

std::string FormatDay(absl::CivilDay day) {
  return fmt::format("{:04}-{:02}-{:02}", day.year(), day.month(), day.day());
}

std::string FormatCivil(absl::CivilSecond civil) {
  std::string text =
      fmt::format("{}T{:02}:{:02}", FormatDay(absl::CivilDay(civil)), civil.hour(), civil.minute());
  if (civil.second() != 0) text += fmt::format(":{:02}", civil.second());
  return text;
}

std::string FormatInstant(absl::Time instant) {
  const bool whole_minutes = absl::ToUnixMicros(instant) % absl::ToInt64Microseconds(absl::Minutes(1)) == 0;
  return absl::FormatTime(whole_minutes ? "%E4Y-%m-%dT%H:%MZ" : "%E4Y-%m-%dT%H:%M:%E*SZ", instant,
                          absl::UTCTimeZone());
}

std::string FormatHours(const DayHours& hours) {
  const int close =
      hours.close_minute > kMinutesADay ? hours.close_minute - kMinutesADay : hours.close_minute;
  return FormatClock(hours.open_minute) + "-" + FormatClock(close);
}

std::string FormatPrice(std::int64_t price_e4) {
  std::string text = fmt::format("{}.{:04}", price_e4 / 10000, price_e4 % 10000);
  while (text.back() == '0' && text[text.size() - 3] != '.') text.pop_back();
  return text;
}

}  // namespace bayward
