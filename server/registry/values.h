// How single values are written in a declaration: dates, civil times, instants, hours, prices, keys. Pure and
// thread-safe.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/calendar.h"

namespace bayward {

// A kind of text: what a person is told to write, and how it is read. `parse` gives nullopt for anything
// else.
template <class T>
struct TextFormat {
  std::string_view expected;
  std::optional<T> (*parse)(std::string_view);
  // Where only certain words will do: all of them, from which the nearest is named.
  const std::vector<std::string>& (*words)() = nullptr;
};

extern const TextFormat<std::string> kKeyFormat;  // of sites, machines, agents
extern const TextFormat<std::string> kKindFormat;
extern const TextFormat<std::string>
    kPlainTextFormat;  // for people: no control characters, at most 200 bytes
extern const TextFormat<std::string> kCurrencyFormat;
extern const TextFormat<std::string> kAttendanceFormat;
extern const TextFormat<std::string> kZoneFormat;         // a zone that this host knows
extern const TextFormat<std::string> kMachineNameFormat;  // "site/machine"
extern const TextFormat<absl::CivilDay> kDayFormat;       // from 1970 to 2199, as all times here
extern const TextFormat<absl::CivilSecond> kCivilFormat;
extern const TextFormat<absl::Time> kInstantFormat;
extern const TextFormat<DayHours> kHoursFormat;
extern const TextFormat<std::int64_t> kPriceFormat;  // ten-thousandths
extern const TextFormat<std::int32_t> kCapabilityFormat;  // as bayward.v1.Capability

// As the formats above read them.
std::string FormatDay(absl::CivilDay day);
std::string FormatCivil(absl::CivilSecond civil);
std::string FormatInstant(absl::Time instant);
std::string FormatHours(const DayHours& hours);
std::string FormatPrice(std::int64_t price_e4);

// Names of the day kinds in a declaration, in the order of DayKind.
inline constexpr std::array<std::string_view, kDayKinds> kDayNames = {"mon", "tue", "wed", "thu",
                                                                      "fri", "sat", "sun", "holiday"};

}  // namespace bayward
