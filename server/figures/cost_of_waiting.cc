#include "server/figures/cost_of_waiting.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <limits>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/normal.hpp"
#include "boost/math/special_functions/gamma.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

bool NotNegative(double value) { return value >= 0 && std::isfinite(value); }

absl::Status CheckLosses(const std::vector<LossStretch>& losses) {
  double before = 0;
  for (const LossStretch& stretch : losses) {
    if (!(stretch.from >= before && stretch.to > stretch.from) || !std::isfinite(stretch.to)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected stretches of required time from now on, ascending and disjoint, found ",
                       stretch.from, " to ", stretch.to, " h after ", before));
    }
    if (!(NotNegative(stretch.lower) && stretch.lower <= stretch.rate && stretch.rate <= stretch.upper) ||
        !std::isfinite(stretch.upper)) {
      return absl::InvalidArgumentError(absl::StrCat("expected a loss rate of at least 0 between its limits, found ",
                                                     stretch.rate, " (", stretch.lower, " to ", stretch.upper, ")"));
    }
    before = stretch.to;
  }
  return absl::OkStatus();
}

absl::Status Check(const WaitingCall& call, double from, double to) {
  if (absl::Status status = CheckLosses(call.losses); !status.ok()) return status;
  if (!NotNegative(call.age_hours)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an age of at least 0 hours, found ", call.age_hours));
  }
  if (!(call.share_lost >= 0 && call.share_lost <= 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a share lost from 0 to 1, found ", call.share_lost));
  }
  if (call.turns_blocking && !(call.turns_blocking->shape > 0 && call.turns_blocking->inverse_scale > 0 &&
                               std::isfinite(call.turns_blocking->shape) &&
                               std::isfinite(call.turns_blocking->inverse_scale))) {
    return absl::InvalidArgumentError("expected a hazard of turning blocking with shape and inverse scale above 0");
  }
  if (!(call.confidence > 0 && call.confidence < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a confidence between 0 and 1, found ", call.confidence));
  }
  if (!(from >= 0 && from <= to) || !std::isfinite(to)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected hours from now, the first not after the second, found ", from, " to ", to));
  }
  return absl::OkStatus();
}

// Spells that had lasted `age`, from there on: their curve is S(age + u)/S(age).
std::vector<SurvivalCase> LastedSoLong(const std::vector<SurvivalCase>& cases, double age) {
  std::vector<SurvivalCase> lasted;
  for (const SurvivalCase& one : cases) {
    if (!(one.exit > age)) continue;
    SurvivalCase& shifted = lasted.emplace_back(one);
    shifted.exit -= age;
    const bool from_the_start = one.entry < age || age == 0;
    shifted.entry = !from_the_start ? one.entry - age : age == 0 ? one.entry : SurvivalCase().entry;
  }
  return lasted;
}

// L(u), as its integral.
class ShareLost {
 public:
  // The hazard from a gamma distribution, or never.
  ShareLost(double share, const std::optional<GammaRate>& hazard) : share_(share), gamma_(hazard) {}
  // A known hazard.
  ShareLost(double share, double hazard) : share_(share), hazard_(hazard) {}

  double Integral(double from, double to) const {
    return (to - from) - (1 - share_) * (NotTurnedUntil(to) - NotTurnedUntil(from));
  }

 private:
  // ∫ from 0 to u of G.
  double NotTurnedUntil(double u) const {
    if (gamma_) {
      const double a = gamma_->shape, b = gamma_->inverse_scale;
      const double growth = std::log1p(u / b);
      const double power = (1 - a) * growth;
      constexpr double kNearlyZero = 1e-12;
      return std::abs(power) < kNearlyZero ? b * growth : b * std::expm1(power) / (1 - a);
    }
    constexpr double kTiny = 1e-15;
    return hazard_ * u < kTiny ? u : -std::expm1(-hazard_ * u) / hazard_;
  }

  double share_;
  double hazard_ = 0;
  std::optional<GammaRate> gamma_;
};

using RateOf = double LossStretch::*;

// ∫ r·L over the part of [from, to) that is required time.
double LostIfNotCleared(const WaitingCall& call, const ShareLost& share, RateOf rate, double from, double to) {
  double sum = 0;
  for (const LossStretch& stretch : call.losses) {
    const double begin = std::max(from, stretch.from);
    const double end = std::min(to, stretch.to);
    if (begin < end) sum += stretch.*rate * share.Integral(begin, end);
  }
  return sum;
}

struct Area {
  double sum = 0;
  double known = 0;     // of it, before the curve ends
  double variance = 0;  // Greenwood's, of `known`: Σ A²·d/(n(n − d)), A the area from the event on
  bool any_event = false;
};

enum class Level : std::uint8_t { kCurve, kUpperLimits };

// S before the first step and from each on; where it has no upper limit, the one before.
std::vector<double> LevelsOf(const SurvivalCurve& curve, Level level) {
  std::vector<double> levels = {1};
  for (const SurvivalStep& step : curve.steps) {
    levels.push_back(level == Level::kCurve ? step.survival : step.upper.value_or(levels.back()));
  }
  return levels;
}

// ∫ r·S·L. What is left after each event weighs the event's share of the variance.
Area AreaUnder(const WaitingCall& call, const SurvivalCurve& curve, Level level, const ShareLost& share, RateOf rate,
               double from, double to) {
  Area area;
  const std::vector<double> levels = LevelsOf(curve, level);
  const std::size_t steps = curve.steps.size();
  std::vector<double> pieces(steps + 1);
  for (std::size_t i = 0; i <= steps; ++i) {
    const double begin = std::max(from, i == 0 ? 0.0 : curve.steps[i - 1].time);
    const double end = std::min(to, i == steps ? to : curve.steps[i].time);
    const double survival = levels[i];
    if (begin >= end || survival == 0) continue;
    const double known_end = std::clamp(curve.known_until, begin, end);
    pieces[i] = survival * LostIfNotCleared(call, share, rate, begin, known_end);
    area.known += pieces[i];
    area.sum += pieces[i] + survival * LostIfNotCleared(call, share, rate, known_end, end);
  }
  double after = 0;
  for (std::size_t i = steps; i > 0; --i) {
    after += pieces[i];
    const SurvivalStep& step = curve.steps[i - 1];
    if (step.time >= to) continue;
    area.any_event = true;
    const auto n = static_cast<double>(step.at_risk), d = static_cast<double>(step.events);
    if (n > d) area.variance += after * after * d / (n * (n - d));
  }
  return area;
}

double Squared(double x) { return x * x; }

// How far `limit` is from `value` on the log scale, squared; 0 where there is nothing to be uncertain of.
double LogDistance(double value, double limit) {
  if (value <= 0) return 0;
  if (limit <= 0) return std::numeric_limits<double>::infinity();
  return Squared(std::log(limit / value));
}

struct HazardLimits {
  double lower = 0;
  double upper = 0;
};
std::optional<HazardLimits> LimitsOf(const std::optional<GammaRate>& hazard, double confidence) {
  if (!hazard) return std::nullopt;
  const auto quantile = [&](double p) {
    return boost::math::gamma_p_inv(hazard->shape, p, Quiet()) / hazard->inverse_scale;
  };
  return HazardLimits{quantile((1 - confidence) / 2), quantile((1 + confidence) / 2)};
}

}  // namespace

absl::StatusOr<WaitingCost> CostBetween(const WaitingCall& call, double from, double to) {
  if (const absl::Status status = Check(call, from, to); !status.ok()) return status;
  const std::vector<SurvivalCase> lasted = LastedSoLong(call.unvisited, call.age_hours);
  const absl::StatusOr<SurvivalCurve> curve = EstimateSurvival(lasted, {.confidence = call.confidence});
  if (!curve.ok()) return curve.status();
  const ShareLost share(call.share_lost, call.turns_blocking);
  const auto area = [&](const ShareLost& of, RateOf rate) {
    return AreaUnder(call, *curve, Level::kCurve, of, rate, from, to);
  };
  const Area main = area(share, &LossStretch::rate);
  WaitingCost cost;
  cost.at_risk = static_cast<int>(lasted.size());
  cost.value = main.sum;
  cost.upper = main.sum;
  if (main.sum <= 0) {
    cost.upper = area(share, &LossStretch::upper).sum;
    cost.lower = 0;
    return cost;
  }
  cost.beyond_known = 1 - main.known / main.sum;
  const double z = boost::math::quantile(boost::math::normal(), (1 + call.confidence) / 2);
  const double by_curve = main.known > 0 ? Squared(z) * main.variance / Squared(main.known) : 0;
  const Area limit = AreaUnder(call, *curve, Level::kUpperLimits, share, &LossStretch::rate, from, to);
  double below = by_curve + LogDistance(main.sum, area(share, &LossStretch::lower).sum);
  double above = std::max(by_curve, LogDistance(main.sum, limit.sum)) +
                 LogDistance(main.sum, area(share, &LossStretch::upper).sum);
  if (const auto hazard = LimitsOf(call.turns_blocking, call.confidence)) {
    below += LogDistance(main.sum, area(ShareLost(call.share_lost, hazard->lower), &LossStretch::rate).sum);
    above += LogDistance(main.sum, area(ShareLost(call.share_lost, hazard->upper), &LossStretch::rate).sum);
  }
  cost.upper = main.sum * std::exp(std::sqrt(above));
  // Nothing can be lost that is not there to lose.
  const double most = LostIfNotCleared(call, ShareLost(1, 0.0), &LossStretch::upper, from, to);
  cost.upper = std::min(cost.upper, std::max(most, main.sum));
  if (main.any_event) cost.lower = main.known * std::exp(-std::sqrt(below));
  return cost;
}

absl::StatusOr<WaitingCost> CostOfADayMore(const WaitingCall& call, double next_visit_hours) {
  return CostBetween(call, next_visit_hours, next_visit_hours + kDayHours);
}

}  // namespace bayward
