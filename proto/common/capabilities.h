// What a programme can need of a machine (bayward.v1.Capability) by number and by name. Pure and thread-safe.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace bayward {

// "wash", "high_pressure", …, by number, without UNSPECIFIED.
const std::vector<std::string>& CapabilityNames();

// The number of such a name; absent where there is none.
std::optional<std::int32_t> FindCapability(std::string_view name);

// The capability's name, or "capability 47" for a number this build does not know.
std::string CapabilityName(std::int32_t number);

}  // namespace bayward
