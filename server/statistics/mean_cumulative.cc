#include "server/statistics/mean_cumulative.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <iterator>
#include <limits>
#include <tuple>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/normal.hpp"
#include "server/statistics/quiet.h"
#include "server/statistics/robust_sum.h"

namespace bayward {
namespace {

double TwoSidedQuantile(double confidence) {
  const boost::math::normal_distribution<double, Quiet> normal;
  return boost::math::quantile(boost::math::complement(normal, (1 - confidence) / 2));
}

absl::Status CheckConfidence(double confidence) {
  if (confidence > 0 && confidence < 1) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("expected a confidence between 0 and 1, found ", confidence, "; give 0.9 for 90 %"));
}

absl::Status CheckUnit(const UnitHistory& unit, std::size_t index) {
  const AgeSpan* before = nullptr;
  for (const AgeSpan& span : unit.at_risk) {
    if (!(std::isfinite(span.from) && std::isfinite(span.to) && span.from < span.to)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected unit ", index, " at risk from an age to a later one, both finite, found ",
                       span.from, " to ", span.to));
    }
    if (before != nullptr && span.from < before->to) {
      return absl::InvalidArgumentError(absl::StrCat("expected the spans of unit ", index,
                                                     " one after the other, found one from ", span.from,
                                                     " after one to ", before->to));
    }
    before = &span;
  }
  auto span = unit.at_risk.begin();
  double last = -std::numeric_limits<double>::infinity();
  for (const double event : unit.events) {
    if (!(event >= last)) {
      return absl::InvalidArgumentError(absl::StrCat("expected the events of unit ", index,
                                                     " in ascending order, found ", event, " after ", last));
    }
    last = event;
    while (span != unit.at_risk.end() && span->to < event) ++span;
    if (span == unit.at_risk.end() || event <= span->from) {
      return absl::InvalidArgumentError(absl::StrCat("expected events of unit ", index,
                                                     " while it is at risk, found one at age ", event,
                                                     "; leave out what was not under observation"));
    }
  }
  return absl::OkStatus();
}

absl::Status Check(std::span<const UnitHistory> units, double confidence) {
  if (absl::Status checked = CheckConfidence(confidence); !checked.ok()) return checked;
  for (std::size_t i = 0; i < units.size(); ++i) {
    if (absl::Status checked = CheckUnit(units[i], i); !checked.ok()) return checked;
  }
  return absl::OkStatus();
}

// What happens at an age, in this order at equal ages: events, those that leave, those that enter.
enum class Change : std::uint8_t { kEvent, kLeaves, kEnters };
struct Point {
  double age;
  Change change;
  std::size_t unit;
};

std::vector<Point> Points(std::span<const UnitHistory> units) {
  std::vector<Point> points;
  for (std::size_t i = 0; i < units.size(); ++i) {
    for (const AgeSpan& span : units[i].at_risk) {
      points.push_back({span.from, Change::kEnters, i});
      points.push_back({span.to, Change::kLeaves, i});
    }
    for (const double event : units[i].events) points.push_back({event, Change::kEvent, i});
  }
  std::sort(points.begin(), points.end(), [](const Point& a, const Point& b) {
    return std::tuple(a.age, a.change, a.unit) < std::tuple(b.age, b.change, b.unit);
  });
  return points;
}

constexpr double kFromTheFirst = -std::numeric_limits<double>::infinity();

// Without limits. M and its variance count from the first age at risk, or from a later one, `from`, where
// units are.
MeanCumulative Accumulate(std::span<const UnitHistory> units, double from) {
  const std::vector<Point> points = Points(units);
  MeanCumulative curve;
  if (points.empty()) return curve;
  curve.from = std::max(points.front().age, from);
  RobustSum robust(units.size());
  long at_risk = 0;
  double mean = 0;
  std::size_t next = 0;
  while (next < points.size()) {
    const double age = points[next].age;
    const std::size_t first = next;
    while (next < points.size() && points[next].age == age && points[next].change == Change::kEvent) ++next;
    const auto events = static_cast<long>(next - first);
    if (events > 0 && age > curve.from) {
      const double share = 1 / static_cast<double>(at_risk);
      const double hazard = static_cast<double>(events) * share;
      mean += hazard;
      robust.Step(hazard * share);
      for (std::size_t i = first; i < next; ++i) robust.AddEvents(points[i].unit, share);
      curve.steps.push_back({age, at_risk, events, mean, robust.SumOfSquares(), std::nullopt, std::nullopt});
    }
    for (; next < points.size() && points[next].age == age; ++next) {
      const int by = points[next].change == Change::kEnters ? 1 : -1;
      at_risk += by;
      robust.ChangeAtRisk(points[next].unit, by);
    }
    curve.until = age;
    if (at_risk == 0) break;
  }
  for (; next < points.size(); ++next) curve.events_left_out += points[next].change == Change::kEvent ? 1 : 0;
  return curve;
}

// Sums of squares are exact to some 1e-16 of M², and no variance of fewer than 1e10 units is as small as
// this.
bool Varies(double variance, double mean) { return variance > 1e-12 * mean * mean; }

// The last step at or before an age; zero before the first.
MeanCumulativeStep LastStep(const MeanCumulative& curve, double age) {
  const auto after = std::upper_bound(curve.steps.begin(), curve.steps.end(), age,
                                      [](double x, const MeanCumulativeStep& step) { return x < step.age; });
  return after == curve.steps.begin() ? MeanCumulativeStep() : *std::prev(after);
}

}  // namespace

absl::StatusOr<MeanCumulative> EstimateMeanCumulative(std::span<const UnitHistory> units, double confidence) {
  if (absl::Status checked = Check(units, confidence); !checked.ok()) return checked;
  MeanCumulative curve = Accumulate(units, kFromTheFirst);
  const double z = TwoSidedQuantile(confidence);
  for (MeanCumulativeStep& step : curve.steps) {
    if (!Varies(step.variance, step.mean)) continue;
    const double factor = std::exp(z * std::sqrt(step.variance) / step.mean);
    step.lower = step.mean / factor;
    step.upper = step.mean * factor;
  }
  return curve;
}

std::optional<double> MeanCumulativeAt(const MeanCumulative& curve, double age) {
  if (!(age >= curve.from && age <= curve.until)) return std::nullopt;
  return LastStep(curve, age).mean;
}

absl::StatusOr<std::vector<MeanCumulativeDifferenceStep>> CompareMeanCumulative(
    std::span<const UnitHistory> a, std::span<const UnitHistory> b, double confidence) {
  for (const std::span<const UnitHistory> group : {a, b}) {
    if (absl::Status checked = Check(group, confidence); !checked.ok()) return checked;
  }
  std::vector<MeanCumulativeDifferenceStep> steps;
  MeanCumulative of_a = Accumulate(a, kFromTheFirst);
  MeanCumulative of_b = Accumulate(b, kFromTheFirst);
  const double from = std::max(of_a.from, of_b.from);
  const double until = std::min(of_a.until, of_b.until);
  of_a = Accumulate(a, from);
  of_b = Accumulate(b, from);
  std::vector<double> ages;
  for (const MeanCumulative* curve : {&of_a, &of_b}) {
    for (const MeanCumulativeStep& step : curve->steps) ages.push_back(step.age);
  }
  std::sort(ages.begin(), ages.end());
  ages.erase(std::unique(ages.begin(), ages.end()), ages.end());
  const double z = TwoSidedQuantile(confidence);
  for (const double age : ages) {
    if (age > until) break;
    const MeanCumulativeStep at_a = LastStep(of_a, age);
    const MeanCumulativeStep at_b = LastStep(of_b, age);
    MeanCumulativeDifferenceStep step{.age = age,
                                      .difference = at_a.mean - at_b.mean,
                                      .variance = at_a.variance + at_b.variance,
                                      .lower = {},
                                      .upper = {}};
    if (Varies(step.variance, std::max(at_a.mean, at_b.mean))) {
      step.lower = step.difference - z * std::sqrt(step.variance);
      step.upper = step.difference + z * std::sqrt(step.variance);
    }
    steps.push_back(step);
  }
  return steps;
}

}  // namespace bayward
