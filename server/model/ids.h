// Strong identifiers, so that a site's number is never taken for a machine's. They are the database's surrogate keys.
#pragma once

#include <compare>
#include <cstdint>
#include <utility>

namespace bayward {

template <class Tag>
struct Id {
  std::int32_t value = 0;  // 0: none

  auto operator<=>(const Id&) const = default;
  explicit operator bool() const { return value != 0; }

  template <class H>
  friend H AbslHashValue(H h, Id id) {
    return H::combine(std::move(h), id.value);
  }
};

using SiteId = Id<struct SiteTag>;
using MachineId = Id<struct MachineTag>;
using AgentId = Id<struct AgentTag>;
using EpochId = Id<struct EpochTag>;  // stands for an agent's 128-bit epoch

}  // namespace bayward
