// The fault classes of proto/bayward/v1/fault_class.proto by number and by name, with their traits.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "bayward/v1/fault_class.pb.h"

namespace bayward {

struct FaultClassInfo {
  v1::FaultClass number;
  std::string name;  // "air_supply.pressure_low"
  v1::FaultTraits traits;
};

// Every class, by number, without UNSPECIFIED.
const std::vector<FaultClassInfo>& FaultClasses();

// nullptr where there is no such class.
const FaultClassInfo* FindFaultClass(int number);
const FaultClassInfo* FindFaultClass(std::string_view name);

// The class's name, or "class 4711" for a number this build does not know.
std::string FaultClassName(int number);

// Up to `count` class names that look most like `name`, nearest first, for messages.
std::vector<std::string> NearestFaultClasses(std::string_view name, std::size_t count);

}  // namespace bayward
