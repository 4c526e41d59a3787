// Adds up losses of machines, sites and weeks: washes, and money where all that is added is sold in one currency.
// Pure: any thread may compute; one object, one thread.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "server/figures/lost_washes.h"

namespace bayward {

struct WashValue {
  std::optional<double> price;  // of a wash; absent: none is known
  std::string_view currency;
};

// The limits of a sum are those of draws added up one by one: its parts are taken as independent of each other.
class LossSum {
 public:
  // Expected less observed starts of one site. `observed`: 0 for a gross loss. All parts of a sum have as many draws.
  void Add(const DrawnStarts& expected, const WashValue& value, std::int64_t observed = 0);

  // `confidence` in (0, 1); money as far as it is known.
  Loss Told(double confidence) const;
  // Empty: no part had a price, or parts were of several currencies.
  std::string currency() const { return several_ ? "" : currency_; }
  bool several_currencies() const { return several_; }

 private:
  double washes_ = 0;
  double money_ = 0;
  std::vector<double> washes_drawn_;
  std::vector<double> money_drawn_;
  std::string currency_;
  bool several_ = false;
};

// The mean alone, for sums that need no limits.
struct MeanLoss {
  double washes = 0;
  double money = 0;
  std::string currency;  // as LossSum::currency
  bool several_currencies = false;

  void Add(double more_washes, const WashValue& value);
};

}  // namespace bayward
