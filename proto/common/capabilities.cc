#include "proto/common/capabilities.h"

#include <algorithm>
#include <cctype>
#include <map>

#include "bayward/v1/fault_class.pb.h"

namespace bayward {
namespace {

constexpr std::string_view kPrefix = "CAPABILITY_";

const std::map<std::int32_t, std::string>& NamesByNumber() {
  static const auto names = [] {
    std::map<std::int32_t, std::string> by_number;
    const auto* descriptor = v1::Capability_descriptor();
    for (int i = 0; i < descriptor->value_count(); ++i) {
      const auto* value = descriptor->value(i);
      if (value->number() == v1::CAPABILITY_UNSPECIFIED) continue;
      std::string name = value->name().substr(kPrefix.size());
      std::transform(name.begin(), name.end(), name.begin(),
                     [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
      by_number[value->number()] = std::move(name);
    }
    return by_number;
  }();
  return names;
}

}  // namespace

const std::vector<std::string>& CapabilityNames() {
  static const auto names = [] {
    std::vector<std::string> all;
    for (const auto& [number, name] : NamesByNumber()) all.push_back(name);
    return all;
  }();
  return names;
}

std::optional<std::int32_t> FindCapability(std::string_view name) {
  for (const auto& [number, known] : NamesByNumber()) {
    if (known == name) return number;
  }
  return std::nullopt;
}

std::string CapabilityName(std::int32_t number) {
  const auto found = NamesByNumber().find(number);
  return found != NamesByNumber().end() ? found->second : "capability " + std::to_string(number);
}

}  // namespace bayward
