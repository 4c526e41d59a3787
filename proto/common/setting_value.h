// Reads one setting's value from text, and writes it. Pure and thread-safe; private to the settings library.
#pragma once

#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "proto/common/settings.h"

namespace bayward {

using SettingValue = std::variant<std::string, std::vector<std::string>, std::int64_t, double, bool,
                                  absl::Duration, std::uint64_t>;

// As in the environment or behind a flag. InvalidArgument says what was expected and what was found.
absl::StatusOr<SettingValue> ParseSetting(const Setting& setting, std::string_view text);

// What a value of the setting looks like: "a duration such as "20s", from 1s to 1h".
std::string ExpectedOf(const Setting& setting);

// As it would stand in a TOML file.
std::string SettingAsToml(const SettingValue& value);

}  // namespace bayward
