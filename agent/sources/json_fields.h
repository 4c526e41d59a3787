// Looks fields of a JSON line up by JSON pointer (RFC 6901). Pure and thread-safe; what is not there is no
// error.
#pragma once

#include <optional>
#include <string>

#include "absl/time/time.h"
#include "agent/codebook/lines_book.h"
#include "nlohmann/json_fwd.hpp"

namespace bayward {

// nullptr where there is no such field, or `pointer` is empty.
const nlohmann::json* Field(const nlohmann::json& line, const std::string& pointer);

// Text, whole numbers and booleans as text; "" for anything else. Control characters become spaces, and what
// is longer than kTextMax bytes is cut after a whole character: it goes into events, which are bounded.
inline constexpr std::size_t kTextMax = 512;
std::string TextOf(const nlohmann::json& value);
std::string FieldText(const nlohmann::json& line, const std::string& pointer);

// RFC 3339 text with its offset, or seconds since 1970.
std::optional<absl::Time> FieldTime(const nlohmann::json& line, const std::string& pointer);

// Whether all fields have their values; text is never equal to a number. False for an empty test.
bool Matches(const nlohmann::json& line, const LineTest& test);

}  // namespace bayward
