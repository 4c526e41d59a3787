#include "server/statistics/power_law.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <random>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/chi_squared.hpp"
#include "boost/math/tools/roots.hpp"
#include "server/statistics/quiet.h"
#include "server/statistics/uniform_tilt.h"

namespace bayward {
namespace {

using ChiSquared = boost::math::chi_squared_distribution<double, Quiet>;

template <typename Function>
double Root(const Function& function, double low, double high) {
  std::uintmax_t iterations = 200;
  const auto [left, right] = boost::math::tools::toms748_solve(
      function, low, high, boost::math::tools::eps_tolerance<double>(48), iterations, Quiet());
  return (left + right) / 2;
}

absl::Status CheckConfidence(double confidence) {
  if (confidence > 0 && confidence < 1) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("expected a confidence between 0 and 1, found ", confidence, "; give 0.9 for 90 %"));
}

absl::Status CheckPowerLawEvents(const EventHistory& history, double start) {
  if (absl::Status checked = CheckEvents(history); !checked.ok()) return checked;
  if (!(start >= 0 && start < history.end)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an exposure at the start from 0 to below ", history.end, ", found ", start));
  }
  if (history.at.size() < 2) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected at least 2 events for a power law, found ", history.at.size()));
  }
  if (history.at.front() <= start) {
    return absl::InvalidArgumentError(absl::StrCat("expected every event after the exposure at the start, ",
                                                   start, ", found one at ", history.at.front()));
  }
  if (history.at.front() >= history.end) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected events before the end ", history.end, ", found all at it: no finite shape"));
  }
  return absl::OkStatus();
}

double SumLogRatios(const EventHistory& history) {
  double sum = 0;
  for (const double at : history.at) sum += std::log(history.end / at);
  return sum;
}

void FitFromZero(const EventHistory& history, double confidence, PowerLawFit& fit) {
  const double n = fit.events;
  const bool failed = history.ended_by == Termination::kFailure;
  fit.shape = n / SumLogRatios(history);
  const int correction = failed ? 2 : 1;
  if (fit.events > correction) fit.shape_unbiased = (n - correction) / n * fit.shape;
  const ChiSquared law(failed ? 2 * (n - 1) : 2 * n);
  const double tail = (1 - confidence) / 2;
  fit.shape_lower = fit.shape * boost::math::quantile(law, tail) / (2 * n);
  fit.shape_upper = fit.shape * boost::math::quantile(boost::math::complement(law, tail)) / (2 * n);
}

// In u = 1 − ln(T/t)/L, which runs from 0 at the start to 1 at the end, the events have a density
// proportional to e^(βLu).
absl::Status FitTruncated(const EventHistory& history, double confidence, PowerLawFit& fit) {
  const double length = std::log(history.end / fit.start);
  const double mean = 1 - SumLogRatios(history) / (fit.events * length);
  if (!(mean > 0.5)) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected events whose logarithms of exposure lie on average past the middle of the window, found ",
        mean, " of the way: they fall off faster than any power law from commissioning allows"));
  }
  fit.shape = SolveTilt(mean) / length;
  const TiltLimits limits = LikelihoodTiltLimits(fit.events, mean, confidence);
  fit.shape_lower = std::max(limits.lower / length, 0.0);
  fit.shape_upper = limits.upper / length;
  return absl::OkStatus();
}

// (b^β ln b − a^β ln a)/(b^β − a^β) − 1/β for 0 <= a < b <= 1, the mean of ln t of an event in the interval:
// its score.
double IntervalScore(double from, double to, double shape) {
  if (from == 0) return std::log(to) - 1 / shape;
  const double length = std::log(to / from);
  return std::log(from) + length * TiltMean(shape * length);
}

absl::Status CheckGroups(const GroupedEvents& events) {
  if (events.ends.size() < 2 || events.ends.size() != events.counts.size()) {
    return absl::InvalidArgumentError(absl::StrCat("expected at least 2 intervals with a count each, found ",
                                                   events.ends.size(), " ends and ", events.counts.size(),
                                                   " counts"));
  }
  double before = events.start;
  if (!(before >= 0)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a start of at least 0, found ", before));
  }
  for (const double end : events.ends) {
    if (!(end > before && std::isfinite(end))) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected ends of intervals in ascending order, found ", end, " after ", before));
    }
    before = end;
  }
  for (const int count : events.counts) {
    if (count < 0)
      return absl::InvalidArgumentError(absl::StrCat("expected counts of at least 0, found ", count));
  }
  return absl::OkStatus();
}

void JudgeGroups(const GroupedEvents& events, GroupedPowerLawFit& fit) {
  constexpr double kExpectedMin = 5;
  std::vector<double> expected;
  std::vector<double> counts;
  double open_expected = 0;
  double open_count = 0;
  for (std::size_t i = 0; i < fit.expected.size(); ++i) {
    open_expected += fit.expected[i];
    open_count += events.counts[i];
    if (open_expected < kExpectedMin) continue;
    expected.push_back(open_expected);
    counts.push_back(open_count);
    open_expected = open_count = 0;
  }
  if (!expected.empty()) {  // a short rest joins the last group
    expected.back() += open_expected;
    counts.back() += open_count;
  }
  for (std::size_t i = 0; i < expected.size(); ++i) {
    fit.chi_squared += (counts[i] - expected[i]) * (counts[i] - expected[i]) / expected[i];
  }
  fit.degrees_of_freedom = std::max(static_cast<int>(expected.size()) - 2, 0);
  if (fit.degrees_of_freedom > 0) {
    fit.probability =
        boost::math::cdf(boost::math::complement(ChiSquared(fit.degrees_of_freedom), fit.chi_squared));
  }
}

// `scaled` ascending in (0, 1], each t/T.
double CramerVonMisesStatistic(const std::vector<double>& scaled, double shape) {
  const double m = static_cast<double>(scaled.size());
  double sum = 1 / (12 * m);
  for (std::size_t i = 0; i < scaled.size(); ++i) {
    const double gap = std::pow(scaled[i], shape) - (2 * static_cast<double>(i) + 1) / (2 * m);
    sum += gap * gap;
  }
  return sum;
}

// The unbiased shape of M times t/T is (M − 1)/Σln(T/t), whether a time or a further failure ended them.
double UnbiasedShape(const std::vector<double>& scaled) {
  double sum = 0;
  for (const double at : scaled) sum -= std::log(at);
  return (static_cast<double>(scaled.size()) - 1) / sum;
}

// λT^β, the events expected from commissioning to the end: n/(1 − (s/T)^β). The figures are computed from it,
// not from λ, which leaves the range of a double where a late window has a large shape.
double EventsToEnd(int events, double start_share, double shape) {
  return events / -std::expm1(shape * std::log(start_share));
}

}  // namespace

absl::StatusOr<PowerLawFit> FitPowerLaw(const EventHistory& history, double start, double confidence) {
  if (absl::Status checked = CheckConfidence(confidence); !checked.ok()) return checked;
  if (absl::Status checked = CheckPowerLawEvents(history, start); !checked.ok()) return checked;
  PowerLawFit fit{.events = static_cast<int>(history.at.size()),
                  .start = start,
                  .end = history.end,
                  .shape_unbiased = std::nullopt};
  if (start == 0) {
    FitFromZero(history, confidence, fit);
  } else if (absl::Status fitted = FitTruncated(history, confidence, fit); !fitted.ok()) {
    return fitted;
  }
  const double n = fit.events;
  fit.scale = EventsToEnd(fit.events, start / fit.end, fit.shape) * std::pow(fit.end, -fit.shape);
  // Each ln(λβt^(β−1)) as its value at T less (β−1)·ln(T/t): large exposures keep their digits.
  fit.log_likelihood =
      n * std::log(PowerLawIntensity(fit, fit.end)) - (fit.shape - 1) * SumLogRatios(history) - n;
  return fit;
}

double PowerLawIntensity(const PowerLawFit& fit, double at) {
  return EventsToEnd(fit.events, fit.start / fit.end, fit.shape) * fit.shape / fit.end *
         std::pow(at / fit.end, fit.shape - 1);
}
double InstantaneousMtbf(const PowerLawFit& fit, double at) { return 1 / PowerLawIntensity(fit, at); }
double CumulativeMtbf(const PowerLawFit& fit, double at) { return at / ExpectedEvents(fit, 0, at); }
double ExpectedEvents(const PowerLawFit& fit, double from, double to) {
  return EventsToEnd(fit.events, fit.start / fit.end, fit.shape) *
         (std::pow(to / fit.end, fit.shape) - std::pow(from / fit.end, fit.shape));
}

// The terms are the chances of j events, each known from its neighbour by (z/2)²/(j(j+1)); their sum over all
// j is I1(z). They are summed from the largest on, as I1 itself leaves the range of a double beyond z = 713.
double CrowTail(int k, double z) {
  const double quarter_square = z * z / 4;
  const int largest = std::max(1, static_cast<int>(z / 2));
  double upto_k = 0;
  double all = 0;
  const auto add = [&](int j, double term) {
    all += term;
    if (j <= k) upto_k += term;
  };
  double term = 1;
  for (int j = largest; j >= 1 && term > 0; --j) {
    add(j, term);
    term *= static_cast<double>(j) * (j - 1) / quarter_square;
  }
  term = 1;
  for (int j = largest; term > all * 1e-18; ++j) {
    term *= quarter_square / (static_cast<double>(j) * (j + 1));
    add(j + 1, term);
  }
  return upto_k / all;
}

absl::StatusOr<MtbfLimits> CrowMtbfLimits(const PowerLawFit& fit, double confidence) {
  if (absl::Status checked = CheckConfidence(confidence); !checked.ok()) return checked;
  if (fit.start > 0 || fit.events < 1) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a fit of at least 1 event from exposure 0, found ", fit.events,
                     " events from exposure ", fit.start));
  }
  const double tail = (1 - confidence) / 2;
  const int n = fit.events;
  // S_k falls from 1 at z = 0 to 0; it is about one half where z = 2k.
  const auto factor = [n](int k, double level) {
    double high = 2.0 * n + 2;
    while (CrowTail(k, high) > level) high *= 2;
    const double z = Root([&](double at) { return CrowTail(k, at) - level; }, 1e-9, high);
    return 4.0 * n * n / (z * z);
  };
  MtbfLimits limits;
  limits.point = InstantaneousMtbf(fit, fit.end);
  limits.lower = limits.point * factor(n, tail);
  if (n > 1) limits.upper = limits.point * factor(n - 1, 1 - tail);
  return limits;
}

absl::StatusOr<CramerVonMises> PowerLawGoodnessOfFit(const EventHistory& history, int replications,
                                                     std::uint64_t seed) {
  if (absl::Status checked = CheckPowerLawEvents(history, 0); !checked.ok()) return checked;
  std::vector<double> scaled;
  for (const double at : history.at) scaled.push_back(at / history.end);
  if (history.ended_by == Termination::kFailure) scaled.pop_back();
  if (scaled.size() < 2 || replications < 1) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected at least 2 events besides one that ended the observation and at least 1 replication, "
        "found ",
        scaled.size(), " and ", replications));
  }
  CramerVonMises fit{.statistic = CramerVonMisesStatistic(scaled, UnbiasedShape(scaled)),
                     .events = static_cast<int>(scaled.size())};
  std::mt19937_64 random(seed);
  int as_large = 0;
  for (int i = 0; i < replications; ++i) {
    // From (0, 1]: a zero has no logarithm.
    for (double& at : scaled) at = (static_cast<double>(random() >> 11) + 1) * 0x1p-53;
    std::sort(scaled.begin(), scaled.end());
    if (CramerVonMisesStatistic(scaled, UnbiasedShape(scaled)) >= fit.statistic) ++as_large;
  }
  fit.probability = (1.0 + as_large) / (1.0 + replications);
  return fit;
}

absl::StatusOr<GroupedPowerLawFit> FitGroupedPowerLaw(const GroupedEvents& events) {
  if (absl::Status checked = CheckGroups(events); !checked.ok()) return checked;
  GroupedPowerLawFit fit;
  fit.events = std::accumulate(events.counts.begin(), events.counts.end(), 0);
  const double end = events.ends.back();
  const auto score = [&](double shape) {
    double sum = -fit.events * IntervalScore(events.start / end, 1, shape);
    double from = events.start;
    for (std::size_t i = 0; i < events.ends.size(); ++i) {
      if (events.counts[i] > 0)
        sum += events.counts[i] * IntervalScore(from / end, events.ends[i] / end, shape);
      from = events.ends[i];
    }
    return sum;
  };
  // The score falls as β rises, as the logarithm of exposure varies less within an interval than over the
  // whole: its only root is the maximum.
  const bool crowded_last = fit.events == events.counts.back();
  const double smallest = 1e-9;
  if (fit.events == 0 || crowded_last || !(score(smallest) > 0)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected events spread so that a shape above 0 and finite is likeliest, found ",
                     fit.events, " events, ", events.counts.front(), " of them in the first interval and ",
                     events.counts.back(), " in the last"));
  }
  double high = 1;
  while (score(high) > 0) high *= 2;
  fit.shape = Root(score, smallest, high);
  const double to_end = EventsToEnd(fit.events, events.start / end, fit.shape);
  fit.scale = to_end * std::pow(end, -fit.shape);
  fit.intensity_at_end = to_end * fit.shape / end;
  double from = events.start;
  for (const double to : events.ends) {
    fit.expected.push_back(to_end * (std::pow(to / end, fit.shape) - std::pow(from / end, fit.shape)));
    fit.intensity_last_interval = fit.expected.back() / (to - from);
    from = to;
  }
  JudgeGroups(events, fit);
  return fit;
}

}  // namespace bayward
