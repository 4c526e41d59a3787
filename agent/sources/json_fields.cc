#include "agent/sources/json_fields.h"

#include <algorithm>
#include <charconv>
#include <string_view>

#include "nlohmann/json.hpp"

namespace bayward {
namespace {

using nlohmann::json;

// One part of a pointer, with "~1" for '/' and "~0" for '~'.
std::string Unescaped(std::string_view part) {
  std::string text;
  for (std::size_t i = 0; i < part.size(); ++i) {
    if (part[i] == '~' && i + 1 < part.size()) {
      text += part[++i] == '1' ? '/' : '~';
    } else {
      text += part[i];
    }
  }
  return text;
}

const json* Step(const json& value, std::string_view part) {
  if (value.is_object()) {
    const auto found =
        value.find(part.find('~') == std::string_view::npos ? std::string(part) : Unescaped(part));
    return found != value.end() ? &*found : nullptr;
  }
  if (!value.is_array()) return nullptr;
  std::size_t index = 0;
  const auto [end, error] = std::from_chars(part.data(), part.data() + part.size(), index);
  const bool number = error == std::errc() && end == part.data() + part.size();
  return number && index < value.size() ? &value[index] : nullptr;
}

std::string Bounded(std::string text) {
  if (text.size() > kTextMax) {
    std::size_t end = kTextMax;
    while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xC0U) == 0x80U)
      --end;  // inside a UTF-8 character
    text.resize(end);
  }
  std::replace_if(
      text.begin(), text.end(), [](char c) { return static_cast<unsigned char>(c) < 0x20; }, ' ');
  return text;
}

bool Equals(const json& value, const Scalar& scalar) {
  if (const auto* text = std::get_if<std::string>(&scalar)) {
    return value.is_string() && value.get_ref<const std::string&>() == *text;
  }
  if (const auto* number = std::get_if<std::int64_t>(&scalar)) {
    return value.is_number_integer() && value.get<std::int64_t>() == *number;
  }
  return value.is_boolean() && value.get<bool>() == std::get<bool>(scalar);
}

}  // namespace

const json* Field(const json& line, const std::string& pointer) {
  if (pointer.empty()) return nullptr;
  const json* value = &line;
  std::string_view rest(pointer);
  while (value != nullptr && !rest.empty()) {
    rest.remove_prefix(1);  // the '/'
    const std::string_view part = rest.substr(0, rest.find('/'));
    rest.remove_prefix(part.size());
    value = Step(*value, part);
  }
  return value;
}

std::string TextOf(const json& value) {
  if (value.is_string()) return Bounded(value.get<std::string>());
  if (value.is_number_unsigned()) return std::to_string(value.get<std::uint64_t>());
  if (value.is_number_integer()) return std::to_string(value.get<std::int64_t>());
  if (value.is_boolean()) return value.get<bool>() ? "true" : "false";
  return "";
}

std::string FieldText(const json& line, const std::string& pointer) {
  const json* value = Field(line, pointer);
  return value != nullptr ? TextOf(*value) : "";
}

std::optional<absl::Time> FieldTime(const json& line, const std::string& pointer) {
  const json* value = Field(line, pointer);
  if (value == nullptr) return std::nullopt;
  if (value->is_number()) return absl::UnixEpoch() + absl::Seconds(value->get<double>());
  absl::Time time;
  if (!value->is_string() ||
      !absl::ParseTime(absl::RFC3339_full, value->get<std::string>(), &time, nullptr)) {
    return std::nullopt;
  }
  return time;
}

bool Matches(const json& line, const LineTest& test) {
  return !test.empty() && std::all_of(test.begin(), test.end(), [&line](const FieldTest& field) {
    const json* value = Field(line, field.pointer);
    return value != nullptr && Equals(*value, field.value);
  });
}

}  // namespace bayward
