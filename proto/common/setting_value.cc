#include "proto/common/setting_value.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <type_traits>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/escaping.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

struct Unit {
  std::string_view name;
  std::uint64_t bytes;
};
constexpr std::array<Unit, 3> kUnits = {{{"GiB", 1ULL << 30}, {"MiB", 1ULL << 20}, {"KiB", 1ULL << 10}}};

std::optional<std::uint64_t> ParseBytes(std::string_view text) {
  std::uint64_t unit = 1;
  for (const Unit& candidate : kUnits) {
    if (!text.ends_with(candidate.name)) continue;
    unit = candidate.bytes;
    text.remove_suffix(candidate.name.size());
    break;
  }
  std::uint64_t count = 0;
  if (!absl::SimpleAtoi(std::string(text), &count)) return std::nullopt;
  if (count > std::numeric_limits<std::uint64_t>::max() / unit) return std::nullopt;
  return count * unit;
}

std::optional<absl::Duration> ParseSpan(std::string_view text) {
  if (text.ends_with("d")) {
    std::int64_t days = 0;
    if (!absl::SimpleAtoi(std::string(text.substr(0, text.size() - 1)), &days)) return std::nullopt;
    return days * absl::Hours(24);
  }
  absl::Duration span;
  if (!absl::ParseDuration(std::string(text), &span)) return std::nullopt;
  return span;
}

std::optional<SettingValue> ParseKind(const Setting& setting, std::string_view text) {
  const std::string copy(text);
  switch (setting.kind) {
    case SettingKind::kText:
      return copy;
    case SettingKind::kChoice: {
      const auto& choices = setting.choices;
      if (std::find(choices.begin(), choices.end(), copy) == choices.end()) return std::nullopt;
      return copy;
    }
    case SettingKind::kTexts: {
      std::vector<std::string> texts;
      for (const auto piece : absl::StrSplit(copy, ',', absl::SkipWhitespace())) {
        texts.emplace_back(absl::StripAsciiWhitespace(piece));
      }
      return texts;
    }
    case SettingKind::kInteger: {
      std::int64_t number = 0;
      if (!absl::SimpleAtoi(copy, &number)) return std::nullopt;
      return number;
    }
    case SettingKind::kNumber: {
      double number = 0;
      if (!absl::SimpleAtod(copy, &number) || !std::isfinite(number)) return std::nullopt;
      return number;
    }
    case SettingKind::kFlag:
      if (copy != "true" && copy != "false") return std::nullopt;
      return copy == "true";
    case SettingKind::kDuration:
      if (auto span = ParseSpan(text)) return *span;
      return std::nullopt;
    case SettingKind::kBytes:
      if (auto bytes = ParseBytes(text)) return *bytes;
      return std::nullopt;
  }
  return std::nullopt;
}

bool WithinBounds(const Setting& setting, const SettingValue& value) {
  if (!setting.min.empty()) {
    const auto min = ParseKind(setting, setting.min);
    if (min.has_value() && value < *min) return false;
  }
  if (!setting.max.empty()) {
    const auto max = ParseKind(setting, setting.max);
    if (max.has_value() && *max < value) return false;
  }
  return true;
}

SettingValue Nothing(SettingKind kind) {
  switch (kind) {
    case SettingKind::kTexts:
      return std::vector<std::string>();
    case SettingKind::kInteger:
      return std::int64_t{0};
    case SettingKind::kNumber:
      return 0.0;
    case SettingKind::kFlag:
      return false;
    case SettingKind::kDuration:
      return absl::ZeroDuration();
    case SettingKind::kBytes:
      return std::uint64_t{0};
    case SettingKind::kText:
    case SettingKind::kChoice:
      break;
  }
  return std::string();
}

std::string KindName(const Setting& setting) {
  switch (setting.kind) {
    case SettingKind::kText:
      return "text";
    case SettingKind::kTexts:
      return "texts";
    case SettingKind::kInteger:
      return "a whole number";
    case SettingKind::kNumber:
      return "a number";
    case SettingKind::kFlag:
      return "true or false";
    case SettingKind::kDuration:
      return "a duration such as \"500ms\", \"20s\" or \"7d\"";
    case SettingKind::kBytes:
      return "a size such as \"64MiB\"";
    case SettingKind::kChoice:
      return "one of " + absl::StrJoin(setting.choices, ", ");
  }
  return "text";
}

std::string Quoted(const std::string& text) { return fmt::format("\"{}\"", absl::Utf8SafeCEscape(text)); }

std::string WriteBytes(std::uint64_t bytes) {
  for (const Unit& unit : kUnits) {
    if (bytes >= unit.bytes && bytes % unit.bytes == 0)
      return fmt::format("{}{}", bytes / unit.bytes, unit.name);
  }
  return std::to_string(bytes);
}

std::string WriteSpan(absl::Duration span) {
  constexpr absl::Duration kDay = absl::Hours(24);
  if (span >= kDay && span % kDay == absl::ZeroDuration()) return fmt::format("{}d", span / kDay);
  return absl::FormatDuration(span);
}

}  // namespace

absl::StatusOr<SettingValue> ParseSetting(const Setting& setting, std::string_view text) {
  if (text.empty()) return Nothing(setting.kind);
  auto value = ParseKind(setting, text);
  if (!value.has_value() || !WithinBounds(setting, *value)) {
    if (setting.secret) return InvalidArgument("expected {}, found something else", ExpectedOf(setting));
    return InvalidArgument("expected {}, found \"{}\"", ExpectedOf(setting), text);
  }
  return *std::move(value);
}

std::string ExpectedOf(const Setting& setting) {
  std::string expected = KindName(setting);
  if (!setting.min.empty() && !setting.max.empty()) {
    expected += fmt::format(", from {} to {}", setting.min, setting.max);
  } else if (!setting.min.empty()) {
    expected += fmt::format(", {} or more", setting.min);
  } else if (!setting.max.empty()) {
    expected += fmt::format(", {} or less", setting.max);
  }
  return expected;
}

std::string SettingAsToml(const SettingValue& value) {
  return std::visit(
      [](const auto& held) -> std::string {
        using T = std::decay_t<decltype(held)>;
        if constexpr (std::is_same_v<T, std::string>) {
          return Quoted(held);
        } else if constexpr (std::is_same_v<T, std::vector<std::string>>) {
          return fmt::format("[{}]", absl::StrJoin(held, ", ", [](std::string* out, const std::string& text) {
                               out->append(Quoted(text));
                             }));
        } else if constexpr (std::is_same_v<T, absl::Duration>) {
          return Quoted(WriteSpan(held));
        } else if constexpr (std::is_same_v<T, std::uint64_t>) {
          return Quoted(WriteBytes(held));
        } else {
          return fmt::format("{}", held);
        }
      },
      value);
}

}  // namespace bayward
