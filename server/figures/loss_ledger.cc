#include "server/figures/loss_ledger.h"

#include <algorithm>
#include <cstddef>

namespace bayward {
namespace {

// Notes the currency of a part that has a price.
void Join(const WashValue& value, std::string& currency, bool& several) {
  if (currency.empty()) currency = std::string(value.currency);
  several = several || currency != value.currency;
}

void AddTo(std::vector<double>& sum, const std::vector<double>& draws, double less, double factor) {
  sum.resize(std::max(sum.size(), draws.size()));
  for (std::size_t i = 0; i < draws.size(); ++i) sum[i] += factor * (draws[i] - less);
}

}  // namespace

void LossSum::Add(const DrawnStarts& expected, const WashValue& value, std::int64_t observed) {
  const auto seen = static_cast<double>(observed);
  washes_ += expected.mean - seen;
  AddTo(washes_drawn_, expected.draws, seen, 1);
  if (!value.price) return;
  Join(value, currency_, several_);
  money_ += *value.price * (expected.mean - seen);
  AddTo(money_drawn_, expected.draws, seen, *value.price);
}

Loss LossSum::Told(double confidence) const {
  Loss loss{.washes = washes_};
  if (!washes_drawn_.empty()) {
    const auto [lower, upper] = LimitsOf(washes_drawn_, confidence);
    loss.lower = lower;
    loss.upper = upper;
  }
  if (money_drawn_.empty() || several_) return loss;
  const auto [lower, upper] = LimitsOf(money_drawn_, confidence);
  loss.money = money_;
  loss.money_lower = lower;
  loss.money_upper = upper;
  return loss;
}

void MeanLoss::Add(double more_washes, const WashValue& value) {
  washes += more_washes;
  if (!value.price) return;
  if (!several_currencies) Join(value, currency, several_currencies);
  money += *value.price * more_washes;
  if (several_currencies) {
    currency.clear();
    money = 0;
  }
}

}  // namespace bayward
