// What a wash brings at a site: the mean over what was sold there lately, each programme at its price then. Pure: any
// thread may compute; one object, one thread.
#pragma once

#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/fleet.h"

namespace bayward {

inline constexpr absl::Duration kPriceMemory = absl::Hours(24 * 7 * 8);

// Of a programme on a date; absent where it has no price yet, or never. `prices`: by programme, date.
std::optional<double> PriceOn(std::span<const PriceSpan> prices, std::string_view programme, absl::CivilDay day);

class WashPrice {
 public:
  // `site` outlives it.
  explicit WashPrice(const Site& site) : site_(&site) {}

  // A sold wash, in any order. One of a programme without a price is taken to bring what the others do.
  void Add(absl::Time sold_at, std::string_view programme);

  // Mean over what was sold in the kPriceMemory before `at`. Where none of it has a price: mean of the prices in
  // force then; absent where there are none.
  std::optional<double> MeanBefore(absl::Time at) const;

 private:
  struct Sale {
    absl::Time at;
    double price = 0;
  };
  const Site* site_;
  std::vector<Sale> sales_;
};

}  // namespace bayward
