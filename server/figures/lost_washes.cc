#include "server/figures/lost_washes.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <random>
#include <tuple>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

constexpr double kSlack = 1e-9;  // of hours that were added up

absl::Status CheckOptions(const LossOptions& options) {
  if (!(options.price >= 0) || !std::isfinite(options.price)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a price of at least 0, found ", options.price));
  }
  if (!(options.confidence > 0 && options.confidence < 1)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a confidence between 0 and 1, found ",
                                                   options.confidence, "; give 0.9 for 90 %"));
  }
  constexpr int kDrawsMin = 100;
  constexpr int kDrawsMax = 1'000'000;
  if (options.draws < kDrawsMin || options.draws > kDrawsMax) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected between ", kDrawsMin, " and ", kDrawsMax, " draws, found ", options.draws));
  }
  return absl::OkStatus();
}

absl::Status CheckHour(const DemandModel& model, const ExposedHour& hour, std::size_t first_machine) {
  if (hour.machine >= model.machines.size()) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a machine below ", model.machines.size(), ", found ", hour.machine));
  }
  if (model.machines[hour.machine].site != model.machines[first_machine].site) {
    return absl::InvalidArgumentError(absl::StrCat("expected machines of one site, found sites ",
                                                   model.machines[first_machine].site, " and ",
                                                   model.machines[hour.machine].site));
  }
  if (hour.cell < 0 || hour.cell >= kDemandCells) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an hour of the week from 0 to ", kDemandCells - 1, ", found ", hour.cell));
  }
  if (!(hour.hours >= 0 && hour.hours <= 1 + kSlack)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected between 0 and 1 hours in one hour, found ", hour.hours));
  }
  return absl::OkStatus();
}

absl::Status CheckHours(const DemandModel& model, std::span<const ExposedHour> hours) {
  for (const ExposedHour& hour : hours) {
    // The first one's own machine is checked before it is compared with.
    if (const absl::Status status = CheckHour(model, hour, hours.front().machine); !status.ok())
      return status;
  }
  return absl::OkStatus();
}

absl::Status CheckLost(const LossHour& hour) {
  if (!(hour.down_hours >= 0 && hour.withheld_hours >= 0 &&
        hour.down_hours + hour.withheld_hours <= 1 + kSlack)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected down and withheld hours of at least 0 and at most 1 in sum, found ",
                     hour.down_hours, " and ", hour.withheld_hours));
  }
  return absl::OkStatus();
}

double FactorOf(const DayFactors& factors, int day) {
  const auto found = factors.find(day);
  return found == factors.end() ? 1.0 : found->second;
}

double MeanStarts(const DemandModel& model, std::span<const ExposedHour> hours, const DayFactors& factors) {
  double mean = 0;
  for (const ExposedHour& hour : hours) {
    mean += hour.hours * FactorOf(factors, hour.day) * model.MeanRate(hour.machine, hour.cell);
  }
  return mean;
}

double DrawGamma(const GammaRate& rate, std::mt19937_64& random) {
  return std::gamma_distribution<double>(rate.shape, 1 / rate.inverse_scale)(random);
}

double DrawOwnDay(const DemandModel& model, std::mt19937_64& random) {
  if (!model.own_day_shape) return 1;
  return DrawGamma({.shape = *model.own_day_shape, .inverse_scale = *model.own_day_shape}, random);
}

double DrawPoisson(double mean, std::mt19937_64& random) {
  if (!(mean > 0)) return 0;
  return static_cast<double>(std::poisson_distribution<std::int64_t>(mean)(random));
}

// Hours by rate (one draw serves all days) and, within, by day (one draw serves all rates).
class Draws {
 public:
  Draws(const DemandModel& model, std::span<const ExposedHour> hours, const DayFactors& factors)
      : model_(model) {
    std::map<int, std::size_t> day_index;
    for (const ExposedHour& hour : hours) day_index.emplace(hour.day, 0);
    for (auto& [day, index] : day_index) {
      index = factors_.size();
      factors_.push_back(FactorOf(factors, day));
    }
    std::map<std::tuple<std::size_t, int, std::size_t>, double> sums;
    for (const ExposedHour& hour : hours) {
      if (hour.hours > 0) sums[{hour.machine, hour.cell, day_index[hour.day]}] += hour.hours;
    }
    for (const auto& [key, hours_sum] : sums) {
      const auto& [machine, cell, day] = key;
      const bool new_rate = parts_.empty() || parts_.back().machine != machine || parts_.back().cell != cell;
      const GammaRate& rate = model.machines[machine].cells[static_cast<std::size_t>(cell)];
      parts_.push_back({machine, cell, day, hours_sum, new_rate,
                        std::gamma_distribution<double>(rate.shape, 1 / rate.inverse_scale)});
    }
  }

  double One(std::mt19937_64& random) {
    by_day_.assign(factors_.size(), 0.0);
    double rate = 0;
    for (Part& part : parts_) {
      if (part.new_rate) rate = part.rate(random);
      by_day_[part.day] += rate * part.hours;
    }
    double mean = 0;
    for (std::size_t day = 0; day < by_day_.size(); ++day) {
      mean += by_day_[day] * factors_[day] * DrawOwnDay(model_, random);
    }
    return DrawPoisson(mean, random);
  }

 private:
  struct Part {
    std::size_t machine;
    int cell;
    std::size_t day;
    double hours;
    bool new_rate;
    std::gamma_distribution<double> rate;
  };
  const DemandModel& model_;
  std::vector<double> factors_;
  std::vector<Part> parts_;
  std::vector<double> by_day_;
};

Loss WithMoney(double washes, double lower, double upper, double price) {
  return {.washes = washes,
          .lower = lower,
          .upper = upper,
          .money = washes * price,
          .money_lower = lower * price,
          .money_upper = upper * price};
}

Loss Share(const Loss& loss, double share, double price) {
  return WithMoney(loss.washes * share, loss.lower * share, loss.upper * share, price);
}

std::vector<ExposedHour> Exposed(std::span<const LossHour> hours, double LossHour::*column) {
  std::vector<ExposedHour> exposed;
  exposed.reserve(hours.size());
  for (const LossHour& hour : hours) exposed.push_back({hour.machine, hour.day, hour.cell, hour.*column});
  return exposed;
}

}  // namespace

std::pair<double, double> LimitsOf(std::vector<double> draws, double confidence) {
  const double outside = (1 - confidence) / 2 * static_cast<double>(draws.size());
  const auto skip = std::min(static_cast<std::size_t>(outside + kSlack), (draws.size() - 1) / 2);
  std::sort(draws.begin(), draws.end());
  return {draws[skip], draws[draws.size() - 1 - skip]};
}

absl::StatusOr<DrawnStarts> DrawStarts(const DemandModel& model, std::span<const ExposedHour> hours,
                                       const DayFactors& factors, const LossOptions& options) {
  if (const absl::Status status = CheckOptions(options); !status.ok()) return status;
  if (const absl::Status status = CheckHours(model, hours); !status.ok()) return status;
  std::mt19937_64 random(options.seed);
  Draws draw(model, hours, factors);
  DrawnStarts drawn{.mean = MeanStarts(model, hours, factors),
                    .draws = std::vector<double>(static_cast<std::size_t>(options.draws))};
  for (double& value : drawn.draws) value = draw.One(random);
  return drawn;
}

absl::StatusOr<double> ExpectedStarts(const DemandModel& model, std::span<const ExposedHour> hours,
                                      const DayFactors& factors) {
  if (const absl::Status status = CheckHours(model, hours); !status.ok()) return status;
  return MeanStarts(model, hours, factors);
}

absl::StatusOr<Predicted> PredictStarts(const DemandModel& model, std::span<const ExposedHour> hours,
                                        const DayFactors& factors, const LossOptions& options) {
  absl::StatusOr<DrawnStarts> drawn = DrawStarts(model, hours, factors, options);
  if (!drawn.ok()) return drawn.status();
  const auto [lower, upper] = LimitsOf(std::move(drawn->draws), options.confidence);
  return Predicted{.mean = drawn->mean, .lower = lower, .upper = upper};
}

absl::StatusOr<GrossLoss> ComputeGrossLoss(const DemandModel& model, std::span<const LossHour> hours,
                                           const DayFactors& factors, const LossOptions& options) {
  for (const LossHour& hour : hours) {
    if (const absl::Status status = CheckLost(hour); !status.ok()) return status;
  }
  const absl::StatusOr<Predicted> down =
      PredictStarts(model, Exposed(hours, &LossHour::down_hours), factors, options);
  if (!down.ok()) return down.status();
  const absl::StatusOr<Predicted> withheld =
      PredictStarts(model, Exposed(hours, &LossHour::withheld_hours), factors, options);
  if (!withheld.ok()) return withheld.status();
  return GrossLoss{.down = WithMoney(down->mean, down->lower, down->upper, options.price),
                   .withheld = WithMoney(withheld->mean, withheld->lower, withheld->upper, options.price)};
}

absl::StatusOr<NetLoss> ComputeNetLoss(const DemandModel& model, std::span<const SiteHour> window,
                                       std::int64_t observed, const DayFactors& factors,
                                       const LossOptions& options) {
  if (observed < 0) {
    return absl::InvalidArgumentError(absl::StrCat("expected starts of at least 0, found ", observed));
  }
  std::vector<ExposedHour> required;
  std::vector<LossHour> lost;
  for (const SiteHour& hour : window) {
    if (const absl::Status status = CheckLost(hour.lost); !status.ok()) return status;
    if (!(hour.required_hours + kSlack >= hour.lost.down_hours + hour.lost.withheld_hours)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected required hours of at least those down and withheld, ",
                       hour.lost.down_hours + hour.lost.withheld_hours, ", found ", hour.required_hours));
    }
    required.push_back({hour.lost.machine, hour.lost.day, hour.lost.cell, hour.required_hours});
    lost.push_back(hour.lost);
  }
  const absl::StatusOr<Predicted> expected = PredictStarts(model, required, factors, options);
  if (!expected.ok()) return expected.status();
  NetLoss net;
  net.expected = expected->mean;
  net.observed = observed;
  const auto seen = static_cast<double>(observed);
  net.all = WithMoney(expected->mean - seen, expected->lower - seen, expected->upper - seen, options.price);
  const double down = MeanStarts(model, Exposed(lost, &LossHour::down_hours), factors);
  const double withheld = MeanStarts(model, Exposed(lost, &LossHour::withheld_hours), factors);
  if (!(down + withheld > 0)) return net;
  net.down = Share(net.all, down / (down + withheld), options.price);
  net.withheld = Share(net.all, withheld / (down + withheld), options.price);
  return net;
}

absl::StatusOr<Loss> LossPerHour(const DemandModel& model, std::span<const std::size_t> machines, int cell,
                                 double day_factor, const LossOptions& options) {
  if (const absl::Status status = CheckOptions(options); !status.ok()) return status;
  if (!(day_factor > 0) || !std::isfinite(day_factor)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a day factor above 0, found ", day_factor));
  }
  std::vector<ExposedHour> hours;
  for (const std::size_t machine : machines) hours.push_back({machine, 0, cell, 1});
  if (const absl::Status status = CheckHours(model, hours); !status.ok()) return status;
  std::mt19937_64 random(options.seed);
  std::vector<double> draws(static_cast<std::size_t>(options.draws));
  for (double& value : draws) {
    value = 0;
    for (const std::size_t machine : machines) {
      value += DrawGamma(model.machines[machine].cells[static_cast<std::size_t>(cell)], random);
    }
    value *= day_factor * DrawOwnDay(model, random);
  }
  const auto [lower, upper] = LimitsOf(std::move(draws), options.confidence);
  return WithMoney(day_factor * MeanStarts(model, hours, {}), lower, upper, options.price);
}

}  // namespace bayward
