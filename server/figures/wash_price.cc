#include "server/figures/wash_price.h"

#include "server/timeline/required_time.h"

namespace bayward {

std::optional<double> PriceOn(std::span<const PriceSpan> prices, std::string_view programme, absl::CivilDay day) {
  std::optional<double> price;
  for (const PriceSpan& span : prices) {
    if (span.programme == programme && span.valid_from <= day) price = span.price;
  }
  return price;
}

void WashPrice::Add(absl::Time sold_at, std::string_view programme) {
  if (site_->prices.empty()) return;
  const auto price = PriceOn(site_->prices, programme, DayAt(site_->calendar, sold_at));
  if (price) sales_.push_back({sold_at, *price});
}

std::optional<double> WashPrice::MeanBefore(absl::Time at) const {
  double sum = 0;
  int count = 0;
  for (const Sale& sale : sales_) {
    if (sale.at >= at || sale.at < at - kPriceMemory) continue;
    sum += sale.price;
    ++count;
  }
  if (count > 0) return sum / count;
  const absl::CivilDay day = DayAt(site_->calendar, at);
  for (std::size_t i = 0; i < site_->prices.size(); ++i) {
    const bool last_of_programme =
        i + 1 == site_->prices.size() || site_->prices[i + 1].programme != site_->prices[i].programme;
    if (!last_of_programme) continue;
    if (const auto price = PriceOn(site_->prices, site_->prices[i].programme, day)) {
      sum += *price;
      ++count;
    }
  }
  if (count == 0) return std::nullopt;
  return sum / count;
}

}  // namespace bayward
