// Pairs two lists by key to see what was added, removed and changed. Pure and thread-safe.
#pragma once

#include <cstddef>
#include <vector>

namespace bayward {

// One thing before and after; nullptr where it was not or is no longer.
template <class T>
struct Pair {
  const T* before = nullptr;
  const T* after = nullptr;
};

// Everything in either list, ascending by key. Both lists are sorted by it, without duplicates, and outlive
// the result.
template <class T, class KeyOf>
std::vector<Pair<T>> PairUp(const std::vector<T>& before, const std::vector<T>& after, KeyOf key_of) {
  std::vector<Pair<T>> pairs;
  std::size_t b = 0, a = 0;
  while (b < before.size() || a < after.size()) {
    const bool take_before =
        a == after.size() || (b < before.size() && !(key_of(after[a]) < key_of(before[b])));
    const bool take_after =
        b == before.size() || (a < after.size() && !(key_of(before[b]) < key_of(after[a])));
    pairs.push_back({take_before ? &before[b++] : nullptr, take_after ? &after[a++] : nullptr});
  }
  return pairs;
}

// The same without what stays as it is.
template <class T, class KeyOf>
std::vector<Pair<T>> Differences(const std::vector<T>& before, const std::vector<T>& after, KeyOf key_of) {
  std::vector<Pair<T>> pairs = PairUp(before, after, key_of);
  std::erase_if(pairs, [](const Pair<T>& p) { return p.before && p.after && *p.before == *p.after; });
  return pairs;
}

}  // namespace bayward
