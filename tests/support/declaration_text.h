// A small valid declaration for tests, and ways to change it.
#pragma once

#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "gtest/gtest.h"
#include "server/registry/declaration.h"
#include "server/registry/parse.h"

namespace bayward::testing {

inline constexpr std::string_view kDeclaration = R"toml([fleet]
demonstration = true

[[site]]
key = "fenwick-lane"
name = "Fenwick Lane"
region = "north"
time_zone = "Europe/Helsinki"
currency = "EUR"
latitude = 61.5
longitude = 23.75
attendance = "unattended"
holidays = ["2026-12-25", "2026-12-06"]

[[site.zone]]
valid_from = "2027-01-01"
name = "Europe/Tallinn"

[[site.agent]]
key = "fenwick-box"

[[site.agent]]
key = "spare-box"

[[site.hours]]
valid_from = "2026-01-01"
mon = ["07:00-22:00"]
tue = ["07:00-22:00"]
fri = ["06:00-13:00", "14:00-22:00"]
sat = ["08:00-01:30"]
sun = ["09:00-20:00"]
holiday = []

[[site.hours]]
valid_from = "2026-06-01"
valid_to = "2026-09-01"
mon = ["00:00-24:00"]

[[site.closure]]
from = "2026-10-03T08:00"
to = "2026-10-03T12:00"
reason = "yearly inspection"
announced = true
approved = false
recorded_at = "2026-09-20T10:00Z"

[[site.programme]]
programme = "full"
needs = ["wash", "dry", "wax"]

[[site.programme]]
programme = "short"
needs = ["wash"]

[[site.price]]
programme = "full"
price = "14.90"
valid_from = "2026-01-01"

[[site.price]]
programme = "full"
price = "15.50"
valid_from = "2026-07-01"

[[site.target]]
availability = 0.97
valid_from = "2026-01-01"

[[site.machine]]
key = "bay-1"
name = "Bay 1"
kind = "gantry"
agent = "fenwick-box"
depends_on = ["reclaim"]
in_service_from = "2020-05-01"

[[site.machine.hours]]
valid_from = "2026-01-01"
wed = ["10:00-15:00"]

[[site.machine]]
key = "reclaim"
name = "Reclaim plant"
kind = "reclaim"
agent = "fenwick-box"
in_service_from = "2019-05-01"
)toml";

// `text` with the first `from` replaced; the test fails where there is none.
inline std::string With(std::string text, std::string_view from, std::string_view to) {
  const std::size_t at = text.find(from);
  if (at == std::string::npos) {
    ADD_FAILURE() << "the declaration does not contain: " << from;
    return text;
  }
  return text.replace(at, from.size(), to);
}
inline std::string With(std::string_view from, std::string_view to) {
  return With(std::string(kDeclaration), from, to);
}

inline absl::StatusOr<Declaration> ParseText(const std::string& text) {
  const DeclarationFile file{"fleet.toml", text};
  return ParseDeclaration({&file, 1});
}

// The declaration of a text that must be valid.
inline Declaration Declared(const std::string& text) {
  auto declaration = ParseText(text);
  EXPECT_TRUE(declaration.ok()) << declaration.status();
  return declaration.ok() ? *std::move(declaration) : Declaration();
}

}  // namespace bayward::testing
