#include "server/statistics/gamma_poisson.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/special_functions/gamma.hpp"
#include "boost/math/tools/toms748_solve.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

constexpr double kCvMax = 40;
constexpr int kStepsMax = 4000;
constexpr double kNothing = -std::numeric_limits<double>::infinity();

// How fine the posterior is cut.
struct Fineness {
  double log_drop_max;  // nodes this much below the greatest, in log, are left out
  double log_mean_step;  // in widths of the posterior
  int nodes_at_peak;  // values of cv that are within 4.5, in log, of the greatest
};
Fineness FinenessFor(std::size_t machines) {
  constexpr std::size_t kFewMachines = 12;
  if (machines <= kFewMachines) {
    return {.log_drop_max = 14, .log_mean_step = 0.5, .nodes_at_peak = 10};
  }
  constexpr std::size_t kManyMachines = 100;  // the posterior is near normal
  if (machines > kManyMachines) return {.log_drop_max = 6.5, .log_mean_step = 1.1, .nodes_at_peak = 5};
  return {.log_drop_max = 8, .log_mean_step = 0.9, .nodes_at_peak = 6};
}

// One value of cv with the best log mean there.
struct CvRow {
  double cv = 0;
  double best_log_mean = 0;
  double width = 0;  // of the likelihood in log mean
  double log_mass = kNothing;  // of the posterior, by Laplace's approximation: only to place the nodes
};

CvRow MakeRow(const GammaPoissonLikelihood& likelihood, const LogPrior& prior, double cv) {
  constexpr int kDigits = 12;
  CvRow row{.cv = cv, .best_log_mean = likelihood.BestLogMean(cv, kDigits)};
  row.width = 1 / std::sqrt(likelihood.Curvature(row.best_log_mean, cv));
  row.log_mass = likelihood.Log(row.best_log_mean, cv) + prior(row.best_log_mean, cv) + std::log(row.width);
  return row;
}

struct CvRows {
  std::vector<CvRow> rows;
  double best = kNothing;
};

// Rows at (j + ½)·step from `low` on, until the posterior has fallen off beyond `high`.
absl::StatusOr<CvRows> ScanCv(const GammaPoissonLikelihood& likelihood, const LogPrior& prior, double low,
                              double high, double step, double log_drop_max) {
  CvRows scan;
  for (double j = std::floor(low / step);; j += 1) {
    const double cv = (j + 0.5) * step;
    if (cv > kCvMax) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a posterior that falls off below a coefficient of variation of ", kCvMax,
                       ", found none: give a prior that does"));
    }
    const CvRow row = MakeRow(likelihood, prior, cv);
    scan.best = std::max(scan.best, row.log_mass);
    if (cv > high && !(row.log_mass > scan.best - log_drop_max)) return scan;
    scan.rows.push_back(row);
  }
}

// The grid of cv: halved until enough rows share the peak.
absl::StatusOr<CvRows> PlaceCv(const GammaPoissonLikelihood& likelihood, const LogPrior& prior,
                               const Fineness& fineness, double& step) {
  double low = 0;
  double high = 1;
  step = 0.2;
  for (;;) {
    absl::StatusOr<CvRows> scan = ScanCv(likelihood, prior, low, high, step, fineness.log_drop_max);
    if (!scan.ok()) return scan.status();
    int at_peak = 0;
    for (const CvRow& row : scan->rows) at_peak += row.log_mass > scan->best - 4.5 ? 1 : 0;
    std::erase_if(scan->rows,
                  [&](const CvRow& row) { return !(row.log_mass > scan->best - fineness.log_drop_max); });
    constexpr double kStepMin = 1e-4;
    if (at_peak >= fineness.nodes_at_peak || step < kStepMin || scan->rows.empty()) return scan;
    // A peak far narrower than the step may lie between rows: keep a whole step on both sides.
    low = std::max(0.0, scan->rows.front().cv - 1.5 * step);
    high = scan->rows.back().cv + 0.5 * step;
    step /= 2;
  }
}

GammaNode MakeNode(double log_mean, double step, double cv, double log_weight) {
  const double shape = 1 / (cv * cv);
  return {.log_mean = log_mean,
          .log_mean_step = step,
          .shape = shape,
          .inverse_scale = shape / std::exp(log_mean),
          .weight = log_weight};
}

// Where machines have many failures, or hardly differ, a rate is nearly known given the log mean, and the
// share of it below some value is nearly a step in log mean: nodes as far apart as the likelihood is wide
// would miss it.
double LogMeanStep(const GammaPoissonLikelihood& likelihood, const CvRow& row, const Fineness& fineness) {
  const double rate_width = 1 / std::sqrt(1 / (row.cv * row.cv) + likelihood.count_max());
  const double narrowest = rate_width * row.width / std::hypot(rate_width, row.width);
  constexpr double kOfNarrowest = 0.9;
  constexpr double kFinest = 0.15;  // of the width: an end to what is gained
  return std::max(std::min(row.width * fineness.log_mean_step, narrowest * kOfNarrowest),
                  row.width * kFinest);
}

// Appends the nodes of one row, their weights still in log; false where they do not fall off.
bool AppendRow(const GammaPoissonLikelihood& likelihood, const LogPrior& prior, const CvRow& row,
               const Fineness& fineness, std::vector<GammaNode>& nodes) {
  const double step = LogMeanStep(likelihood, row, fineness);
  double best = kNothing;
  for (const int direction : {1, -1}) {
    for (int k = direction > 0 ? 0 : 1;; ++k) {
      if (k > kStepsMax) return false;
      const double log_mean = row.best_log_mean + direction * k * step;
      const double log_weight = likelihood.Log(log_mean, row.cv) + prior(log_mean, row.cv) + std::log(step);
      best = std::max(best, log_weight);
      if (!(log_weight > best - fineness.log_drop_max)) break;
      nodes.push_back(MakeNode(log_mean, step, row.cv, log_weight));
    }
  }
  return true;
}

// From weights in log to weights that sum to 1.
void Normalise(std::vector<GammaNode>& nodes, double log_drop_max) {
  double best = kNothing;
  for (const GammaNode& node : nodes) best = std::max(best, node.weight);
  std::erase_if(nodes, [&](const GammaNode& node) { return !(node.weight > best - log_drop_max); });
  double sum = 0;
  for (GammaNode& node : nodes) sum += node.weight = std::exp(node.weight - best);
  for (GammaNode& node : nodes) node.weight /= sum;
}

absl::StatusOr<std::vector<GammaNode>> IntegrateRows(const GammaPoissonLikelihood& likelihood,
                                                     const LogPrior& prior, std::span<const CvRow> rows,
                                                     const Fineness& fineness) {
  std::vector<GammaNode> nodes;
  for (const CvRow& row : rows) {
    if (!AppendRow(likelihood, prior, row, fineness, nodes)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a posterior that falls off on both sides of the mean rate, found none at a "
                       "coefficient of variation of ",
                       row.cv, ": give a prior that does"));
    }
  }
  Normalise(nodes, fineness.log_drop_max);
  if (nodes.empty()) {
    return absl::InvalidArgumentError("expected a prior that is positive somewhere, found none");
  }
  return nodes;
}

}  // namespace

double FlatMeanHalfNormalCv(double /*log_mean*/, double cv) {
  const double scaled = cv / kHalfNormalScale;
  return -scaled * scaled / 2;
}

absl::StatusOr<std::vector<GammaNode>> IntegrateGammaPoisson(const GammaPoissonLikelihood& likelihood,
                                                             const LogPrior& prior) {
  const Fineness fineness = FinenessFor(likelihood.machines());
  double cv_step = 0;
  const absl::StatusOr<CvRows> placed = PlaceCv(likelihood, prior, fineness, cv_step);
  if (!placed.ok()) return placed.status();
  return IntegrateRows(likelihood, prior, placed->rows, fineness);
}

absl::StatusOr<std::vector<GammaNode>> IntegrateGammaPoissonAtCv(const GammaPoissonLikelihood& likelihood,
                                                                 const LogPrior& prior, double cv) {
  if (!(cv > 0 && cv < kCvMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a coefficient of variation above 0 and below ", kCvMax, ", found ", cv));
  }
  const CvRow row = MakeRow(likelihood, prior, cv);
  return IntegrateRows(likelihood, prior, std::span(&row, 1), FinenessFor(likelihood.machines()));
}

double PosteriorMeanRate(std::span<const GammaNode> nodes, const ExposedCount& machine) {
  double mean = 0;
  for (const GammaNode& node : nodes) {
    mean += node.weight * (node.shape + machine.count) / (node.inverse_scale + machine.exposure);
  }
  return mean;
}

double PosteriorVarianceRate(std::span<const GammaNode> nodes, const ExposedCount& machine) {
  const double mean = PosteriorMeanRate(nodes, machine);
  double variance = 0;
  for (const GammaNode& node : nodes) {
    const double inverse_scale = node.inverse_scale + machine.exposure;
    const double at_node = (node.shape + machine.count) / inverse_scale;
    variance += node.weight * (at_node / inverse_scale + (at_node - mean) * (at_node - mean));
  }
  return variance;
}

double PosteriorRateCdf(std::span<const GammaNode> nodes, const ExposedCount& machine, double rate) {
  double sum = 0;
  for (const GammaNode& node : nodes) {
    sum += node.weight * boost::math::gamma_p(node.shape + machine.count,
                                              (node.inverse_scale + machine.exposure) * rate, Quiet());
  }
  return sum;
}

double PosteriorRateQuantile(std::span<const GammaNode> nodes, const ExposedCount& machine, double share) {
  // A gamma of the same mean and variance is near. Where one step of Newton's method from its quantile, with
  // its density, is short, what is left is of second order; else the root is searched for from there.
  const double mean = PosteriorMeanRate(nodes, machine);
  const double inverse_scale = mean / PosteriorVarianceRate(nodes, machine);
  const double shape = mean * inverse_scale;
  const double guess = boost::math::gamma_p_inv(shape, share, Quiet()) / inverse_scale;
  const auto excess = [&](double rate) { return PosteriorRateCdf(nodes, machine, rate) - share; };
  const double density =
      boost::math::gamma_p_derivative(shape, guess * inverse_scale, Quiet()) * inverse_scale;
  const double step = excess(guess) / density;
  constexpr double kShortStep = 0.005;
  if (std::abs(step) <= kShortStep * guess) return guess - step;
  const auto close = [](double a, double b) { return std::abs(a - b) <= 1e-5 * std::abs(b); };
  constexpr double kFactor = 1.05;
  std::uintmax_t iterations = 200;
  const auto [low, high] = boost::math::tools::bracket_and_solve_root(
      excess, std::max(guess, std::numeric_limits<double>::min()), kFactor, true, close, iterations, Quiet());
  return (low + high) / 2;
}

double ProbabilityAboveMean(std::span<const GammaNode> nodes, const ExposedCount& machine, double factor) {
  double sum = 0;
  for (const GammaNode& node : nodes) {
    const double rate = factor * std::exp(node.log_mean);
    sum += node.weight * boost::math::gamma_q(node.shape + machine.count,
                                              (node.inverse_scale + machine.exposure) * rate, Quiet());
  }
  return std::min(sum, 1.0);
}

double PosteriorMeanQuantile(std::span<const GammaNode> nodes, double share) {
  double low = std::numeric_limits<double>::infinity();
  double high = kNothing;
  for (const GammaNode& node : nodes) {
    low = std::min(low, node.log_mean - node.log_mean_step / 2);
    high = std::max(high, node.log_mean + node.log_mean_step / 2);
  }
  // Each node's share lies even over its step.
  const auto excess = [&](double log_mean) {
    double sum = -share;
    for (const GammaNode& node : nodes) {
      sum += node.weight * std::clamp((log_mean - node.log_mean) / node.log_mean_step + 0.5, 0.0, 1.0);
    }
    return sum;
  };
  const auto close = [](double a, double b) { return std::abs(a - b) <= 1e-9; };
  std::uintmax_t iterations = 200;
  const auto [left, right] =
      boost::math::tools::toms748_solve(excess, low, high, -share, 1 - share, close, iterations, Quiet());
  return std::exp((left + right) / 2);
}

}  // namespace bayward
