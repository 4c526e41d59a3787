#include "server/statistics/cusum.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/constants/constants.hpp"
#include "boost/math/quadrature/gauss.hpp"
#include "boost/math/special_functions/erf.hpp"
#include "boost/math/tools/roots.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

constexpr std::size_t kNodes = 100;
constexpr double kReferenceMax = 5;
constexpr double kCusumLimitMax = 60;
constexpr double kEwmaLimitMax = 10;
constexpr double kWeightMin = 0.01;
constexpr double kShiftMax = 10;
constexpr double kInfinity = std::numeric_limits<double>::infinity();

struct Node {
  double at;
  double weight;
};

// Gauss–Legendre on [−1, 1]; Boost lists the non-negative half.
std::array<Node, kNodes> UnitNodes() {
  using Gauss = boost::math::quadrature::gauss<double, kNodes>;
  std::array<Node, kNodes> nodes;
  for (std::size_t i = 0; i < kNodes / 2; ++i) {
    nodes[2 * i] = {.at = -Gauss::abscissa()[i], .weight = Gauss::weights()[i]};
    nodes[2 * i + 1] = {.at = Gauss::abscissa()[i], .weight = Gauss::weights()[i]};
  }
  return nodes;
}

double NormalBelow(double z) {
  return boost::math::erfc(-z / boost::math::constants::root_two<double>(), Quiet()) / 2;
}
double NormalDensity(double z) {
  return boost::math::constants::one_div_root_two_pi<double>() * std::exp(-z * z / 2);
}

// A chart whose next value is carry·z + scale·(score + offset), signalling outside [low, high]; where it is
// held at `low`, it never falls below. It begins at 0.
struct Walk {
  double carry;
  double scale;
  double offset;
  double low;
  double high;
  bool held;

  double Step(double from, double to) const { return (to - carry * from) / scale - offset; }
};

// Solves rows·x = 1, rows of size n, by elimination with partial pivoting; x replaces the right side.
std::vector<double> SolveForOnes(std::vector<std::vector<double>> rows) {
  const std::size_t n = rows.size();
  std::vector<double> x(n, 1);
  for (std::size_t column = 0; column < n; ++column) {
    std::size_t pivot = column;
    for (std::size_t row = column + 1; row < n; ++row) {
      if (std::abs(rows[row][column]) > std::abs(rows[pivot][column])) pivot = row;
    }
    std::swap(rows[column], rows[pivot]);
    std::swap(x[column], x[pivot]);
    for (std::size_t row = column + 1; row < n; ++row) {
      const double factor = rows[row][column] / rows[column][column];
      for (std::size_t i = column; i < n; ++i) rows[row][i] -= factor * rows[column][i];
      x[row] -= factor * x[column];
    }
  }
  for (std::size_t row = n; row-- > 0;) {
    for (std::size_t i = row + 1; i < n; ++i) x[row] -= rows[row][i] * x[i];
    x[row] /= rows[row][row];
  }
  return x;
}

// L(z) = 1 + P(z → low)·L(low) + ∫ p(z → x)·L(x) dx at the beginning, 0 (which is `low` where the chart is
// held there), and at the nodes; infinite beyond kRunLengthMax, where the equations become singular in double
// precision.
double RunLength(const Walk& walk) {
  static const std::array<Node, kNodes> unit = UnitNodes();
  const double half = (walk.high - walk.low) / 2;
  const double middle = (walk.high + walk.low) / 2;
  std::array<double, kNodes + 1> at{};
  for (std::size_t i = 0; i < kNodes; ++i) at[i + 1] = middle + half * unit[i].at;
  std::vector<std::vector<double>> rows(kNodes + 1, std::vector<double>(kNodes + 1));
  for (std::size_t row = 0; row <= kNodes; ++row) {
    if (walk.held) rows[row][0] = -NormalBelow(walk.Step(at[row], walk.low));
    for (std::size_t i = 0; i < kNodes; ++i) {
      const double density = NormalDensity(walk.Step(at[row], at[i + 1])) / walk.scale;
      rows[row][i + 1] = -half * unit[i].weight * density;
    }
    rows[row][row] += 1;
  }
  const double length = SolveForOnes(std::move(rows))[0];
  return length >= 1 && length <= kRunLengthMax ? length : kInfinity;
}

double CusumLength(double reference, double limit, double shift, ChartSides sides) {
  const auto side = [&](double towards) {
    return RunLength(
        {.carry = 1, .scale = 1, .offset = towards - reference, .low = 0, .high = limit, .held = true});
  };
  if (sides == ChartSides::kUpper) return side(shift);
  return 1 / (1 / side(shift) + 1 / side(-shift));
}

double EwmaLength(double weight, double limit, double shift, ChartSides sides) {
  const double bound = limit * std::sqrt(weight / (2 - weight));
  const bool upper = sides == ChartSides::kUpper;
  return RunLength({.carry = 1 - weight,
                    .scale = weight,
                    .offset = shift,
                    .low = upper ? 0 : -bound,
                    .high = bound,
                    .held = upper});
}

absl::Status CheckRange(std::string_view what, double value, double low, double high) {
  if (value >= low && value <= high) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("expected a ", absl::string_view(what.data(), what.size()),
                                                 " from ", low, " to ", high, ", found ", value));
}

absl::Status CheckAll(std::initializer_list<absl::Status> checks) {
  for (const absl::Status& check : checks) {
    if (!check.ok()) return check;
  }
  return absl::OkStatus();
}

absl::StatusOr<double> Bounded(double length) {
  if (length <= kRunLengthMax) return length;
  return absl::InvalidArgumentError(absl::StrCat("expected a chart that signals within ", kRunLengthMax,
                                                 " scores on average, found one that hardly ever does"));
}

constexpr double kLimitMin = 1e-6;

// The limit up to limit_max at which length(limit), rising, is `wanted`.
template <class Length>
absl::StatusOr<double> SolveLimit(const Length& length, double wanted, double limit_max) {
  // Of logarithms, nearly straight in the limit; "never" becomes a number above any that is wanted.
  const auto excess = [&](double limit) {
    return std::log(std::min(length(limit), 2 * kRunLengthMax)) - std::log(wanted);
  };
  const double least = excess(kLimitMin);
  const double most = excess(limit_max);
  if (least > 0 || most < 0) {
    return absl::InvalidArgumentError(absl::StrCat("expected a run length from ", length(kLimitMin), " to ",
                                                   std::min(length(limit_max), kRunLengthMax), ", found ",
                                                   wanted));
  }
  std::uintmax_t rounds = 200;
  const auto close = [](double a, double b) { return std::abs(a - b) <= 1e-10 * std::max(a, b); };
  const auto [below, above] =
      boost::math::tools::toms748_solve(excess, kLimitMin, limit_max, least, most, close, rounds, Quiet());
  return (below + above) / 2;
}

}  // namespace

absl::StatusOr<double> CusumRunLength(double reference, double limit, double shift, ChartSides sides) {
  absl::Status checked = CheckAll({CheckRange("reference value", reference, 0, kReferenceMax),
                                   CheckRange("limit", limit, kLimitMin, kCusumLimitMax),
                                   CheckRange("shift", shift, -kShiftMax, kShiftMax)});
  if (!checked.ok()) return checked;
  return Bounded(CusumLength(reference, limit, shift, sides));
}

absl::StatusOr<double> EwmaRunLength(double weight, double limit, double shift, ChartSides sides) {
  absl::Status checked = CheckAll({CheckRange("weight", weight, kWeightMin, 1),
                                   CheckRange("limit", limit, kLimitMin, kEwmaLimitMax),
                                   CheckRange("shift", shift, -kShiftMax, kShiftMax)});
  if (!checked.ok()) return checked;
  return Bounded(EwmaLength(weight, limit, shift, sides));
}

absl::StatusOr<double> CusumLimitFor(double reference, double run_length, ChartSides sides) {
  absl::Status checked = CheckAll({CheckRange("reference value", reference, 0, kReferenceMax),
                                   CheckRange("run length", run_length, 1, kRunLengthMax)});
  if (!checked.ok()) return checked;
  return SolveLimit([&](double limit) { return CusumLength(reference, limit, 0, sides); }, run_length,
                    kCusumLimitMax);
}

absl::StatusOr<double> EwmaLimitFor(double weight, double run_length, ChartSides sides) {
  absl::Status checked = CheckAll(
      {CheckRange("weight", weight, kWeightMin, 1), CheckRange("run length", run_length, 1, kRunLengthMax)});
  if (!checked.ok()) return checked;
  return SolveLimit([&](double limit) { return EwmaLength(weight, limit, 0, sides); }, run_length,
                    kEwmaLimitMax);
}

absl::StatusOr<CusumChart> CusumChart::Create(double reference, double limit, double ceiling) {
  if (!(reference >= 0 && std::isfinite(reference) && limit > 0 && std::isfinite(limit) &&
        ceiling >= limit)) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected a reference value of at least 0, a limit above 0 and a ceiling not below it, found ",
        reference, ", ", limit, " and ", ceiling));
  }
  return CusumChart(reference, limit, ceiling);
}

void CusumChart::AddTo(Side& side, double score) const {
  side.sum = std::min(ceiling_, std::max(0.0, side.sum + score - reference_));
  side.run = side.sum > 0 ? side.run + 1 : 0;
}

void CusumChart::Add(double score) {
  if (std::isnan(score)) return;
  AddTo(upper_, score);
  AddTo(lower_, -score);
}

void CusumChart::Reset() {
  upper_ = {};
  lower_ = {};
}

absl::StatusOr<EwmaChart> EwmaChart::Create(double weight, double limit) {
  if (!(weight > 0 && weight <= 1 && limit > 0 && std::isfinite(limit))) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected a weight above 0 up to 1 and a limit above 0, found ", weight, " and ", limit));
  }
  return EwmaChart(weight, limit * std::sqrt(weight / (2 - weight)));
}

void EwmaChart::Add(double score) {
  if (std::isnan(score)) return;
  value_ += weight_ * (score - value_);
}

}  // namespace bayward
