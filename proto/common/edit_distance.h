// How far two words are from each other, to name what somebody probably meant. Pure and thread-safe.
#pragma once

#include <cstddef>
#include <string_view>

namespace bayward {

// The least number of single-character insertions, deletions and substitutions that turn `a` into `b`.
std::size_t EditDistance(std::string_view a, std::string_view b);

}  // namespace bayward
