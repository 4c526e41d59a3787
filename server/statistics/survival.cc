#include "server/statistics/survival.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <map>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/normal.hpp"
#include "server/statistics/quiet.h"
#include "server/statistics/robust_sum.h"

namespace bayward {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
// A product of thousands of ratios that is one half on paper is one half here.
constexpr double kRounding = 1e-10;

double TwoSidedQuantile(double confidence) {
  const boost::math::normal_distribution<double, Quiet> normal;
  return boost::math::quantile(boost::math::complement(normal, (1 - confidence) / 2));
}

absl::Status Check(std::span<const SurvivalCase> cases, const SurvivalOptions& options) {
  if (!(options.confidence > 0 && options.confidence < 1)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a confidence between 0 and 1, found ",
                                                   options.confidence, "; give 0.9 for 90 %"));
  }
  for (const SurvivalCase& one : cases) {
    if (!(one.exit >= 0 && one.exit < kInfinity && one.entry < one.exit)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a case watched from its entry to a later, finite time of at least 0, found ",
                       one.entry, " to ", one.exit));
    }
  }
  return absl::OkStatus();
}

// Positions of the cases in the order they enter and in the order they leave, and their clusters from 0 up.
struct Order {
  std::vector<std::size_t> by_entry;
  std::vector<std::size_t> by_exit;
  std::vector<std::size_t> cluster;
  std::size_t clusters = 0;
};

Order MakeOrder(std::span<const SurvivalCase> cases) {
  Order order;
  std::map<int, std::size_t> numbers;
  for (std::size_t i = 0; i < cases.size(); ++i) {
    order.by_entry.push_back(i);
    order.cluster.push_back(numbers.emplace(cases[i].cluster, numbers.size()).first->second);
  }
  order.clusters = numbers.size();
  order.by_exit = order.by_entry;
  std::sort(order.by_entry.begin(), order.by_entry.end(), [&](std::size_t a, std::size_t b) {
    return std::pair(cases[a].entry, a) < std::pair(cases[b].entry, b);
  });
  std::sort(order.by_exit.begin(), order.by_exit.end(), [&](std::size_t a, std::size_t b) {
    return std::pair(cases[a].exit, a) < std::pair(cases[b].exit, b);
  });
  return order;
}

// A curve with what its variances are made of.
struct Estimate {
  SurvivalCurve curve;
  std::vector<double> log_variance;  // of log S, per step; infinite where it cannot be told
};

class Estimator {
 public:
  Estimator(std::span<const SurvivalCase> cases, const Order& order, SurvivalVariance variance)
      : cases_(cases), order_(order), variance_(variance), clustered_(order.clusters) {}

  Estimate Run() {
    std::size_t next = 0;
    while (next < order_.by_exit.size()) {
      const double at = Case(order_.by_exit[next]).exit;
      Enter(at);
      std::size_t over = next;
      long events = 0;
      for (; over < order_.by_exit.size() && Case(order_.by_exit[over]).exit == at; ++over) {
        events += Case(order_.by_exit[over]).event ? 1 : 0;
      }
      if (events > 0) AddStep(at, events, next, over);
      for (; next < over; ++next) Leave(order_.by_exit[next]);
      // An entry at this very time is not yet watched at it, but leaves no gap.
      const bool more = entered_ < order_.by_entry.size();
      const bool watched = at_risk_ > 0 || (more && Case(order_.by_entry[entered_]).entry <= at);
      if (survival_ == 0) {
        estimate_.curve.known_until = at_risk_ > 0 || more ? at : kInfinity;
        break;
      }
      estimate_.curve.known_until = at;
      if (!watched) break;
    }
    return std::move(estimate_);
  }

 private:
  const SurvivalCase& Case(std::size_t index) const { return cases_[index]; }

  void Enter(double before) {
    for (; entered_ < order_.by_entry.size() && Case(order_.by_entry[entered_]).entry < before; ++entered_) {
      ++at_risk_;
      clustered_.ChangeAtRisk(order_.cluster[order_.by_entry[entered_]], 1);
    }
  }

  void Leave(std::size_t index) {
    --at_risk_;
    clustered_.ChangeAtRisk(order_.cluster[index], -1);
  }

  void AddStep(double at, long events, std::size_t from, std::size_t to) {
    SurvivalStep step;
    step.time = at;
    step.at_risk = at_risk_;
    step.events = events;
    double variance = kInfinity;
    if (events == at_risk_) {
      survival_ = 0;
    } else {
      const auto left = static_cast<double>(at_risk_ - events);
      survival_ *= left / static_cast<double>(at_risk_);
      const double hazard = static_cast<double>(events) / static_cast<double>(at_risk_);
      greenwood_ += hazard / left;
      clustered_.Step(hazard / left);
      for (std::size_t i = from; i < to; ++i) {
        if (Case(order_.by_exit[i]).event) clustered_.AddEvents(order_.cluster[order_.by_exit[i]], 1 / left);
      }
      variance = Variance();
    }
    step.survival = survival_;
    estimate_.curve.steps.push_back(step);
    estimate_.log_variance.push_back(variance);
  }

  double Variance() const {
    switch (variance_) {
      case SurvivalVariance::kGreenwood:
        return greenwood_;
      case SurvivalVariance::kClustered:
        return order_.clusters < 2 ? kInfinity : clustered_.SumOfSquares();
      case SurvivalVariance::kLarger:
        return std::max(greenwood_, clustered_.SumOfSquares());
    }
    return greenwood_;
  }

  std::span<const SurvivalCase> cases_;
  const Order& order_;
  const SurvivalVariance variance_;
  Estimate estimate_;
  RobustSum clustered_;
  std::size_t entered_ = 0;
  long at_risk_ = 0;
  double survival_ = 1;
  double greenwood_ = 0;
};

void SetLimits(double log_variance, double z, SurvivalLimits limits, SurvivalStep& step) {
  if (std::isinf(log_variance)) return;
  const double error = std::sqrt(log_variance);
  step.standard_error = step.survival * error;
  switch (limits) {
    case SurvivalLimits::kLog:
      step.lower = step.survival * std::exp(-z * error);
      step.upper = std::min(1.0, step.survival * std::exp(z * error));
      return;
    case SurvivalLimits::kLogLog: {
      const double log_survival = std::log(step.survival);
      const double shift = z * error / log_survival;  // negative
      step.lower = std::exp(log_survival * std::exp(-shift));
      step.upper = std::exp(log_survival * std::exp(shift));
      return;
    }
  }
}

// ∫ S from each step to the horizon, and at the end of the list from 0.
std::vector<double> AreasBeyond(const std::vector<SurvivalStep>& steps, double horizon) {
  std::vector<double> areas(steps.size() + 1);
  double area = 0;
  double until = horizon;
  for (std::size_t i = steps.size(); i-- > 0;) {
    area += steps[i].survival * (until - steps[i].time);
    areas[i] = area;
    until = steps[i].time;
  }
  areas[steps.size()] = area + until;
  return areas;
}

double AreaUnderUpper(const std::vector<SurvivalStep>& steps, double horizon) {
  double area = 0;
  double from = 0;
  double upper = 1;
  for (const SurvivalStep& step : steps) {
    area += upper * (step.time - from);
    from = step.time;
    upper = step.upper.value_or(upper);
  }
  return area + upper * (horizon - from);
}

double GreenwoodOfMean(const std::vector<SurvivalStep>& steps, const std::vector<double>& areas) {
  double variance = 0;
  for (std::size_t i = 0; i < steps.size(); ++i) {
    const auto n = static_cast<double>(steps[i].at_risk);
    const auto d = static_cast<double>(steps[i].events);
    if (n > d) variance += areas[i] * areas[i] * d / (n * (n - d));
  }
  return variance;
}

// Σ over clusters of (Σ over its cases of ∂mean/∂weight)², where ∂mean/∂weight of a case is −Σ over steps of
// A·(event then − at risk then · d/n)/(n − d).
double ClusteredOfMean(std::span<const SurvivalCase> cases, const Order& order,
                       const std::vector<SurvivalStep>& steps, const std::vector<double>& areas) {
  std::vector<double> weight(steps.size());  // A/(n − d)
  std::vector<double> compensator(steps.size() + 1);  // Σ of A·(d/n)/(n − d) before a step
  for (std::size_t i = 0; i < steps.size(); ++i) {
    const auto n = static_cast<double>(steps[i].at_risk);
    const auto d = static_cast<double>(steps[i].events);
    weight[i] = n > d ? areas[i] / (n - d) : 0;
    compensator[i + 1] = compensator[i] + weight[i] * d / n;
  }
  // How many steps lie at or before t.
  const auto steps_until = [&](double t) {
    const auto after = std::upper_bound(steps.begin(), steps.end(), t,
                                        [](double x, const SurvivalStep& step) { return x < step.time; });
    return static_cast<std::size_t>(after - steps.begin());
  };
  std::vector<double> of_cluster(order.clusters);
  for (std::size_t i = 0; i < cases.size(); ++i) {
    const std::size_t last = steps_until(cases[i].exit);
    double& sum = of_cluster[order.cluster[i]];
    if (cases[i].event && last > 0 && steps[last - 1].time == cases[i].exit) sum += weight[last - 1];
    sum -= compensator[last] - compensator[steps_until(cases[i].entry)];
  }
  double variance = 0;
  for (const double sum : of_cluster) variance += sum * sum;
  return variance;
}

// Where a curve given at the steps first comes down to `to`.
template <class Curve>
std::optional<double> ComesDownTo(const SurvivalCurve& curve, double to, Curve of) {
  for (const SurvivalStep& step : curve.steps) {
    const std::optional<double> value = of(step);
    if (value.has_value() && *value <= to + kRounding) return step.time;
  }
  return std::nullopt;
}

}  // namespace

absl::StatusOr<SurvivalCurve> EstimateSurvival(std::span<const SurvivalCase> cases,
                                               const SurvivalOptions& options) {
  if (absl::Status checked = Check(cases, options); !checked.ok()) return checked;
  const Order order = MakeOrder(cases);
  Estimate estimate = Estimator(cases, order, options.variance).Run();
  const double z = TwoSidedQuantile(options.confidence);
  for (std::size_t i = 0; i < estimate.curve.steps.size(); ++i) {
    SetLimits(estimate.log_variance[i], z, options.limits, estimate.curve.steps[i]);
  }
  return std::move(estimate.curve);
}

SurvivalPercentile FindPercentile(const SurvivalCurve& curve, double p) {
  if (!(p > 0 && p < 1)) return {};
  SurvivalPercentile percentile;
  percentile.time =
      ComesDownTo(curve, 1 - p, [](const SurvivalStep& step) { return std::optional(step.survival); });
  percentile.lower = ComesDownTo(curve, 1 - p, [](const SurvivalStep& step) { return step.lower; });
  percentile.upper = ComesDownTo(curve, 1 - p, [](const SurvivalStep& step) { return step.upper; });
  return percentile;
}

absl::StatusOr<RestrictedMean> EstimateRestrictedMean(std::span<const SurvivalCase> cases, double horizon,
                                                      const SurvivalOptions& options) {
  if (!(horizon > 0 && horizon < kInfinity)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a finite horizon above 0, found ", horizon));
  }
  absl::StatusOr<SurvivalCurve> curve = EstimateSurvival(cases, options);
  if (!curve.ok()) return curve.status();
  RestrictedMean restricted;
  restricted.horizon = std::min(horizon, curve->known_until);
  std::vector<SurvivalStep>& steps = curve->steps;
  std::erase_if(steps, [&](const SurvivalStep& step) { return step.time > restricted.horizon; });
  const std::vector<double> areas = AreasBeyond(steps, restricted.horizon);
  restricted.mean = areas.back();
  const Order order = MakeOrder(cases);
  const bool any_event = !steps.empty() && steps.front().time < restricted.horizon;
  if (!any_event || (options.variance == SurvivalVariance::kClustered && order.clusters < 2)) {
    return restricted;
  }
  double variance = 0;
  if (options.variance != SurvivalVariance::kClustered) variance = GreenwoodOfMean(steps, areas);
  if (options.variance != SurvivalVariance::kGreenwood) {
    variance = std::max(variance, ClusteredOfMean(cases, order, steps, areas));
  }
  restricted.standard_error = std::sqrt(variance);
  if (restricted.mean > 0) {
    const double factor =
        std::exp(TwoSidedQuantile(options.confidence) * *restricted.standard_error / restricted.mean);
    restricted.lower = restricted.mean / factor;
    restricted.upper = std::min(
        restricted.horizon, std::max(restricted.mean * factor, AreaUnderUpper(steps, restricted.horizon)));
  }
  return restricted;
}

}  // namespace bayward
