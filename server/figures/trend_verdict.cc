#include "server/figures/trend_verdict.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numeric>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace bayward {
namespace {

absl::Status CheckOptions(const TrendOptions& options) {
  if (options.level > 0 && options.level < 0.5) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("expected a one-sided level between 0 and 0.5, found ",
                                                 options.level, "; give 0.05 for 5 %"));
}

absl::Status CheckSteps(const std::vector<RateStep>& steps, double end) {
  double from = 0;
  for (const RateStep& step : steps) {
    if (!(step.until > from && std::isfinite(step.until) && step.rate > 0 && std::isfinite(step.rate))) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected steps that ascend from 0 with rates above 0, found rate ", step.rate,
                       " from ", from, " to ", step.until));
    }
    from = step.until;
  }
  // The last digits of exposures summed in another order may differ.
  if (from < end * (1 - 1e-9)) {
    return absl::InvalidArgumentError(absl::StrCat("expected comparison rates up to the end of the history, ",
                                                   end, ", found up to ", from));
  }
  return absl::OkStatus();
}

Trend TrendAt(double improving, double worsening, double level) {
  if (worsening <= level) return Trend::kWorsening;
  return improving <= level ? Trend::kImproving : Trend::kSteady;
}

// Lists each side by itself: both at once would spend the false discoveries of one side's list on the other.
absl::Status AdjustForMany(double level, std::vector<TrendVerdict>& verdicts) {
  std::vector<TrendVerdict*> judged;
  std::vector<double> improving;
  std::vector<double> worsening;
  for (TrendVerdict& verdict : verdicts) {
    if (verdict.trend == Trend::kTooFewToSay) continue;
    judged.push_back(&verdict);
    improving.push_back(verdict.p_improving);
    worsening.push_back(verdict.p_worsening);
  }
  const absl::StatusOr<std::vector<double>> q_improving = BenjaminiHochberg(improving);
  if (!q_improving.ok()) return q_improving.status();
  const absl::StatusOr<std::vector<double>> q_worsening = BenjaminiHochberg(worsening);
  if (!q_worsening.ok()) return q_worsening.status();
  for (std::size_t i = 0; i < judged.size(); ++i) {
    judged[i]->q_improving = (*q_improving)[i];
    judged[i]->q_worsening = (*q_worsening)[i];
    judged[i]->trend = TrendAt(judged[i]->q_improving, judged[i]->q_worsening, level);
  }
  return absl::OkStatus();
}

std::string InOneOf(double p) {
  if (p < 1e-6) return "fewer than 1 of a million";
  return absl::StrFormat("1 of %.0f", 1 / p);
}

}  // namespace

absl::StatusOr<std::vector<double>> Decluster(const std::vector<double>& at, double apart) {
  if (!(apart >= 0 && std::isfinite(apart))) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a finite exposure of at least 0 between failures, found ", apart));
  }
  std::vector<double> kept;
  double before = -std::numeric_limits<double>::infinity();
  for (const double event : at) {
    if (!(event >= before)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected events in ascending order, found ", event, " after ", before));
    }
    if (kept.empty() || event - kept.back() >= apart) kept.push_back(event);
    before = event;
  }
  return kept;
}

absl::StatusOr<std::vector<RateStep>> ComparisonRate(const std::vector<ComparisonPeriod>& periods) {
  double own = 0;
  double exposure = 0;
  double events = 0;
  for (const ComparisonPeriod& period : periods) {
    if (!(period.own_exposure >= 0 && period.others_exposure >= 0 && std::isfinite(period.own_exposure) &&
          std::isfinite(period.others_exposure) && period.others_events >= 0)) {
      return absl::InvalidArgumentError(absl::StrCat(
          "expected exposures and events of at least 0, found own exposure ", period.own_exposure,
          ", others' exposure ", period.others_exposure, " and others' events ", period.others_events));
    }
    own += period.own_exposure;
    exposure += period.others_exposure;
    events += period.others_events;
  }
  if (!(own > 0 && exposure > 0 && events > 0)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected own exposure and comparison machines with exposure and events, found ", own,
                     ", ", exposure, " and ", events));
  }
  std::vector<RateStep> steps;
  double until = 0;
  for (const ComparisonPeriod& period : periods) {
    if (period.own_exposure == 0) continue;
    until += period.own_exposure;
    steps.push_back(
        {.until = until, .rate = (period.others_events + 1) / (period.others_exposure + exposure / events)});
  }
  return steps;
}

absl::StatusOr<EventHistory> TransformByComparison(const EventHistory& history,
                                                   const std::vector<RateStep>& steps) {
  if (absl::Status checked = CheckEvents(history); !checked.ok()) return checked;
  if (absl::Status checked = CheckSteps(steps, history.end); !checked.ok()) return checked;
  EventHistory transformed{.at = {}, .end = 0, .ended_by = history.ended_by};
  std::size_t step = 0;
  double from = 0;  // where the present step begins, and what was summed up to there
  double cumulative = 0;
  const auto integral = [&](double to) {
    while (step + 1 < steps.size() && steps[step].until < to) {
      cumulative += (steps[step].until - from) * steps[step].rate;
      from = steps[step].until;
      ++step;
    }
    return cumulative + (to - from) * steps[step].rate;
  };
  for (const double at : history.at) transformed.at.push_back(integral(at));
  transformed.end = integral(history.end);
  return transformed;
}

std::string_view TrendWords(Trend trend) {
  switch (trend) {
    case Trend::kImproving:
      return "improving";
    case Trend::kSteady:
      return "steady";
    case Trend::kWorsening:
      return "worsening";
    case Trend::kTooFewToSay:
      break;
  }
  return "too few to say";
}

absl::StatusOr<TrendVerdict> JudgeTrend(const EventHistory& history, const std::vector<RateStep>& comparison,
                                        const TrendOptions& options) {
  if (absl::Status checked = CheckOptions(options); !checked.ok()) return checked;
  if (absl::Status checked = CheckEvents(history); !checked.ok()) return checked;
  absl::StatusOr<std::vector<double>> kept = Decluster(history.at, options.apart);
  if (!kept.ok()) return kept.status();
  EventHistory judged{.at = *std::move(kept), .end = history.end, .ended_by = history.ended_by};
  // A last event that belongs to the cluster before it ends the observation no longer as an event of its own.
  if (judged.at.empty() || judged.at.back() < judged.end) judged.ended_by = Termination::kTime;
  TrendVerdict verdict;
  verdict.events_given = static_cast<int>(history.at.size());
  verdict.events = static_cast<int>(judged.at.size());
  verdict.compared = !comparison.empty();
  verdict.intervals_sorted = IntervalsAreSorted(judged.at);
  if (verdict.compared) {
    absl::StatusOr<EventHistory> transformed = TransformByComparison(judged, comparison);
    if (!transformed.ok()) return transformed.status();
    judged = *std::move(transformed);
  }
  if (verdict.events < kTrendEventsMin) return verdict;
  absl::StatusOr<TrendTest> test = LewisRobinsonTest(judged);
  if (!test.ok()) test = LaplaceTest(judged);  // equal intervals, the only refusal left
  if (!test.ok()) return test.status();
  verdict.z = test->statistic;
  verdict.p_improving = verdict.q_improving = test->p_improving;
  verdict.p_worsening = verdict.q_worsening = test->p_worsening;
  verdict.trend = TrendAt(test->p_improving, test->p_worsening, options.level);
  return verdict;
}

absl::StatusOr<FleetTrend> JudgeFleet(const EventHistory& pooled,
                                      const std::vector<ComparedHistory>& machines,
                                      const TrendOptions& options) {
  const absl::StatusOr<TrendVerdict> fleet = JudgeTrend(pooled, {}, {.apart = 0, .level = options.level});
  if (!fleet.ok()) {
    return absl::InvalidArgumentError(absl::StrCat("the pooled events: ", fleet.status().message()));
  }
  FleetTrend trend{.fleet = *fleet, .own = {}};
  for (std::size_t i = 0; i < machines.size(); ++i) {
    absl::StatusOr<TrendVerdict> own = JudgeTrend(machines[i].history, machines[i].comparison, options);
    if (!own.ok()) {
      return absl::InvalidArgumentError(
          absl::StrCat("machine at position ", i, ": ", own.status().message()));
    }
    trend.own.push_back(*own);
  }
  if (absl::Status adjusted = AdjustForMany(options.level, trend.own); !adjusted.ok()) return adjusted;
  return trend;
}

absl::StatusOr<std::vector<double>> BenjaminiHochberg(const std::vector<double>& p) {
  for (const double each : p) {
    if (!(each >= 0 && each <= 1)) {
      return absl::InvalidArgumentError(absl::StrCat("expected p-values from 0 to 1, found ", each));
    }
  }
  std::vector<std::size_t> largest_first(p.size());
  std::iota(largest_first.begin(), largest_first.end(), std::size_t{0});
  std::stable_sort(largest_first.begin(), largest_first.end(),
                   [&p](std::size_t a, std::size_t b) { return p[a] > p[b]; });
  std::vector<double> adjusted(p.size());
  double least = 1;
  for (std::size_t i = 0; i < largest_first.size(); ++i) {
    const std::size_t which = largest_first[i];
    const double rank = static_cast<double>(p.size() - i);
    least = std::min(least, p[which] * static_cast<double>(p.size()) / rank);
    adjusted[which] = least;
  }
  return adjusted;
}

std::string TrendSentence(const TrendVerdict& verdict, double exposure, std::string_view exposure_unit) {
  const std::string seen = absl::StrFormat("%d %s over %.0f ", verdict.events,
                                           verdict.events == 1 ? "failure" : "failures", exposure) +
                           std::string(exposure_unit);
  const std::string beside = verdict.compared ? ", beside what the other machines did" : "";
  std::string said = std::string(TrendWords(verdict.trend)) + ": " + seen;
  switch (verdict.trend) {
    case Trend::kTooFewToSay:
      said += absl::StrFormat("; at least %d are needed", kTrendEventsMin);
      break;
    case Trend::kSteady:
      said += " come neither faster nor more slowly than chance explains" + beside;
      break;
    case Trend::kImproving:
      said += " come more slowly towards the end" + beside + ", as in " + InOneOf(verdict.p_improving) +
              " steady machines by chance";
      break;
    case Trend::kWorsening:
      said += " come faster towards the end" + beside + ", as in " + InOneOf(verdict.p_worsening) +
              " steady machines by chance";
      break;
  }
  if (verdict.intervals_sorted) {
    said += "; caution: the times between failures stand in order of length, check that the list is by date";
  }
  return said;
}

}  // namespace bayward
