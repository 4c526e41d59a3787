#include "server/statistics/bootstrap.h"

#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/normal.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

const boost::math::normal_distribution<double, Quiet> kNormal(0, 1);

// What one draw takes or leaves as a whole.
struct Unit {
  double up_s = 0;
  double all_s = 0;
};

struct Limits {
  double lower = 0;
  double upper = 0;
};

// 0 … n − 1, each with the same probability: draws that would favour small numbers are drawn again.
std::size_t DrawIndex(std::mt19937_64& random, std::size_t n) {
  const std::uint64_t size = n;
  const std::uint64_t refused = (0 - size) % size;  // 2^64 mod n
  std::uint64_t drawn = random();
  while (drawn < refused) drawn = random();
  return static_cast<std::size_t>(drawn % size);
}

double Ratio(std::span<const Unit> units) {
  Unit sum;
  for (const Unit& unit : units) {
    sum.up_s += unit.up_s;
    sum.all_s += unit.all_s;
  }
  return sum.up_s / sum.all_s;
}

std::vector<double> DrawRatios(std::span<const Unit> units, const BootstrapOptions& options) {
  std::mt19937_64 random(options.seed);
  std::vector<double> ratios(static_cast<std::size_t>(options.resamples));
  for (double& ratio : ratios) {
    Unit sum;
    for (std::size_t i = 0; i < units.size(); ++i) {
      const Unit& unit = units[DrawIndex(random, units.size())];
      sum.up_s += unit.up_s;
      sum.all_s += unit.all_s;
    }
    ratio = sum.up_s / sum.all_s;
  }
  std::sort(ratios.begin(), ratios.end());
  return ratios;
}

// Skewness of the influence values up_i − A·all_i over 6.
double Acceleration(std::span<const Unit> units, double point) {
  double squares = 0;
  double cubes = 0;
  for (const Unit& unit : units) {
    const double influence = unit.up_s - point * unit.all_s;
    squares += influence * influence;
    cubes += influence * influence * influence;
  }
  return squares > 0 ? cubes / (6 * std::pow(squares, 1.5)) : 0;
}

// Of sorted values, straight between the order statistics at k/(n + 1).
double Quantile(const std::vector<double>& sorted, double share) {
  const double place = share * (static_cast<double>(sorted.size()) + 1) - 1;
  if (!(place > 0)) return sorted.front();
  const std::size_t below = static_cast<std::size_t>(place);
  if (below + 1 >= sorted.size()) return sorted.back();
  const double part = place - static_cast<double>(below);
  return sorted[below] + part * (sorted[below + 1] - sorted[below]);
}

Limits BcaLimits(std::span<const Unit> units, double point, const BootstrapOptions& options) {
  const std::vector<double> ratios = DrawRatios(units, options);
  // Sums in another order differ in the last digits: what differs by less is the same.
  constexpr double kSame = 1e-12;
  const auto first_same = std::lower_bound(ratios.begin(), ratios.end(), point - kSame);
  const auto first_above = std::upper_bound(ratios.begin(), ratios.end(), point + kSame);
  const double below = static_cast<double>(first_same - ratios.begin());
  const double same = static_cast<double>(first_above - first_same);
  const double count = static_cast<double>(ratios.size());
  const double share_below = std::clamp((below + same / 2) / count, 0.5 / count, 1 - 0.5 / count);
  const double bias = boost::math::quantile(kNormal, share_below);
  const double acceleration = Acceleration(units, point);
  const auto limit = [&](double share) {
    const double z = bias + boost::math::quantile(kNormal, share);
    const double shrunk = 1 - acceleration * z;
    // Beyond the pole of the formula the limit is the outermost value.
    if (!(shrunk > 0)) return z < 0 ? ratios.front() : ratios.back();
    return Quantile(ratios, boost::math::cdf(kNormal, bias + z / shrunk));
  };
  const double half_alpha = (1 - options.confidence) / 2;
  return {.lower = limit(half_alpha), .upper = limit(1 - half_alpha)};
}

absl::Status Check(const BootstrapOptions& options, int outages) {
  if (!(options.confidence > 0 && options.confidence < 1)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a confidence between 0 and 1, found ",
                                                   options.confidence, "; give 0.95 for 95 %"));
  }
  if (options.resamples < 100 || options.resamples > 1'000'000) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected between 100 and 1000000 resamples, found ", options.resamples));
  }
  if (outages < 0) {
    return absl::InvalidArgumentError(absl::StrCat("expected at least 0 outages, found ", outages));
  }
  return absl::OkStatus();
}

absl::Status Check(const UpDown& time) {
  if (time.up < absl::ZeroDuration() || time.down < absl::ZeroDuration() ||
      time.up == absl::InfiniteDuration() || time.down == absl::InfiniteDuration()) {
    return absl::InvalidArgumentError(absl::StrCat("expected up and down time of at least 0, found ",
                                                   absl::FormatDuration(time.up), " and ",
                                                   absl::FormatDuration(time.down)));
  }
  return absl::OkStatus();
}

void Add(const UpDown& time, Unit& unit) {
  const double up_s = absl::ToDoubleSeconds(time.up);
  unit.up_s += up_s;
  unit.all_s += up_s + absl::ToDoubleSeconds(time.down);
}

// Units without time say nothing, and a draw of them alone would have no ratio.
std::optional<AvailabilityInterval> Interval(std::vector<Unit> units, ResampledOver over,
                                             const BootstrapOptions& options) {
  std::erase_if(units, [](const Unit& unit) { return !(unit.all_s > 0); });
  if (units.size() < 2) return std::nullopt;
  const double point = Ratio(units);
  const Limits limits = BcaLimits(units, point, options);
  return AvailabilityInterval{.point = point, .lower = limits.lower, .upper = limits.upper, .over = over};
}

}  // namespace

absl::StatusOr<std::optional<AvailabilityInterval>> BootstrapMachineAvailability(
    std::span<const UpDown> weeks, int outages, const BootstrapOptions& options) {
  if (const absl::Status status = Check(options, outages); !status.ok()) return status;
  std::vector<Unit> units(weeks.size());
  for (std::size_t i = 0; i < weeks.size(); ++i) {
    if (const absl::Status status = Check(weeks[i]); !status.ok()) return status;
    Add(weeks[i], units[i]);
  }
  if (outages < kBootstrapOutagesMin) return std::optional<AvailabilityInterval>();
  return Interval(std::move(units), ResampledOver::kWeeks, options);
}

absl::StatusOr<std::optional<AvailabilityInterval>> BootstrapFleetAvailability(
    std::span<const PlacedUpDown> times, std::size_t sites, std::size_t days, int outages,
    const BootstrapOptions& options) {
  if (const absl::Status status = Check(options, outages); !status.ok()) return status;
  std::vector<Unit> of_site(sites);
  std::vector<Unit> of_day(days);
  for (const PlacedUpDown& placed : times) {
    if (placed.site >= sites || placed.day >= days) {
      return absl::InvalidArgumentError(absl::StrCat("expected a site below ", sites, " and a day below ",
                                                     days, ", found ", placed.site, " and ", placed.day));
    }
    if (const absl::Status status = Check(placed.time); !status.ok()) return status;
    Add(placed.time, of_site[placed.site]);
    Add(placed.time, of_day[placed.day]);
  }
  if (outages < kBootstrapOutagesMin) return std::optional<AvailabilityInterval>();
  const std::optional<AvailabilityInterval> over_sites =
      Interval(std::move(of_site), ResampledOver::kSites, options);
  const std::optional<AvailabilityInterval> over_days =
      Interval(std::move(of_day), ResampledOver::kDays, options);
  if (!over_sites || !over_days) return over_sites ? over_sites : over_days;
  return over_sites->upper - over_sites->lower > over_days->upper - over_days->lower ? over_sites : over_days;
}

}  // namespace bayward
