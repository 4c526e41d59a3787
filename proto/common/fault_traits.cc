#include "proto/common/fault_traits.h"

#include <algorithm>
#include <map>
#include <utility>

#include "proto/common/edit_distance.h"

namespace bayward {
namespace {

std::vector<FaultClassInfo> ReadClasses() {
  std::vector<FaultClassInfo> classes;
  const auto* descriptor = v1::FaultClass_descriptor();
  for (int i = 0; i < descriptor->value_count(); ++i) {
    const auto* value = descriptor->value(i);
    if (value->number() == v1::FAULT_CLASS_UNSPECIFIED) continue;
    const v1::FaultTraits& traits = value->options().GetExtension(v1::fault_traits);
    classes.push_back({static_cast<v1::FaultClass>(value->number()),
                       traits.subsystem() + "." + traits.failure_mode(), traits});
  }
  std::sort(classes.begin(), classes.end(),
            [](const auto& a, const auto& b) { return a.number < b.number; });
  return classes;
}

}  // namespace

const std::vector<FaultClassInfo>& FaultClasses() {
  static const std::vector<FaultClassInfo> classes = ReadClasses();
  return classes;
}

const FaultClassInfo* FindFaultClass(int number) {
  const auto& all = FaultClasses();
  auto found = std::lower_bound(all.begin(), all.end(), number,
                                [](const auto& info, int n) { return info.number < n; });
  return found != all.end() && found->number == number ? &*found : nullptr;
}

const FaultClassInfo* FindFaultClass(std::string_view name) {
  static const auto by_name = [] {
    std::map<std::string, const FaultClassInfo*, std::less<>> map;
    for (const auto& info : FaultClasses()) map[info.name] = &info;
    return map;
  }();
  auto found = by_name.find(name);
  return found == by_name.end() ? nullptr : found->second;
}

std::string FaultClassName(int number) {
  const FaultClassInfo* info = FindFaultClass(number);
  return info != nullptr ? info->name : "class " + std::to_string(number);
}

std::vector<std::string> NearestFaultClasses(std::string_view name, std::size_t count) {
  std::vector<std::pair<std::size_t, std::string>> ranked;
  for (const auto& info : FaultClasses()) ranked.emplace_back(EditDistance(name, info.name), info.name);
  std::sort(ranked.begin(), ranked.end());
  std::vector<std::string> nearest;
  for (std::size_t i = 0; i < std::min(count, ranked.size()); ++i) nearest.push_back(ranked[i].second);
  return nearest;
}

}  // namespace bayward
