#include "server/figures/exposure_choice.h"

#include <algorithm>
#include <cmath>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "boost/math/distributions/negative_binomial.hpp"
#include "server/figures/outage_forecast.h"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using Machines = std::span<const std::vector<ExposedMonth>>;
using NegativeBinomial = boost::math::negative_binomial_distribution<double, Quiet>;

constexpr double kScoredMin = 1e-9;  // the least probability that is scored: one surprise does not decide
constexpr std::size_t kHeldBackMin = 4;
constexpr std::size_t kMachineMonthsMax = 4400;  // to be foretold: all of 400 machines in a year
constexpr double kAlike = 1e-9;                  // scores this close, relative, differ by rounding only

absl::Status Check(Machines machines) {
  for (const std::vector<ExposedMonth>& machine : machines) {
    if (machine.size() != machines.front().size()) {
      return absl::InvalidArgumentError(absl::StrCat("expected as many months of all machines, found ",
                                                     machines.front().size(), " and ", machine.size()));
    }
    for (const ExposedMonth& month : machine) {
      const bool fine = month.failures >= 0 && month.up_hours >= 0 && std::isfinite(month.up_hours) &&
                        month.wash_starts >= 0 && std::isfinite(month.wash_starts);
      if (!fine) {
        return absl::InvalidArgumentError(
            absl::StrCat("expected failures, up hours and wash starts of at least 0, found ", month.failures, ", ",
                         month.up_hours, " and ", month.wash_starts));
      }
    }
  }
  return absl::OkStatus();
}

bool Counts(const ExposedMonth& month) { return month.up_hours > 0 && month.wash_starts > 0; }

double ExposureOf(const ExposedMonth& month, FailureAxis axis) {
  return axis == FailureAxis::kUpHours ? month.up_hours : month.wash_starts;
}

double LogScoreOf(const GammaRate& rate, double exposure, int failures) {
  const NegativeBinomial law(rate.shape, rate.inverse_scale / (rate.inverse_scale + exposure));
  const double p = boost::math::pdf(law, static_cast<double>(failures));
  return -std::log(std::isfinite(p) ? std::max(p, kScoredMin) : kScoredMin);
}

// Of the forecasts of month `held_back` from what each machine had `shown` before.
absl::StatusOr<double> ScoreMonth(Machines machines, std::size_t held_back, std::span<const ExposedCount> shown,
                                  FailureAxis axis) {
  const absl::StatusOr<std::vector<GammaRate>> rates = EstimateRates(shown, RateRule::kShrunk);
  if (!rates.ok()) return rates.status();
  double score = 0;
  for (std::size_t i = 0; i < machines.size(); ++i) {
    const ExposedMonth& month = machines[i][held_back];
    if (Counts(month)) score += LogScoreOf((*rates)[i], ExposureOf(month, axis), month.failures);
  }
  return score;
}

struct Scores {
  std::vector<double> up_hours;  // a score for each month held back
  std::vector<double> wash_starts;
  int failures = 0;
};

int FailuresIn(Machines machines, std::size_t month) {
  int failures = 0;
  for (const std::vector<ExposedMonth>& machine : machines) {
    if (Counts(machine[month])) failures += machine[month].failures;
  }
  return failures;
}

// Which of `months` months in order are held back: not the first, so many as the work allows, evenly spread.
std::vector<std::size_t> HeldBack(std::size_t months, std::size_t machines) {
  const std::size_t all = months - 1;
  const std::size_t some = std::min(all, std::max(kHeldBackMin, kMachineMonthsMax / machines));
  std::vector<std::size_t> held_back;
  for (std::size_t k = 1; k <= some; ++k) held_back.push_back(all * k / some);
  return held_back;
}

absl::StatusOr<Scores> ScoreMonths(Machines machines, const std::vector<std::size_t>& months) {
  const std::vector<std::size_t> held_back = HeldBack(months.size(), machines.size());
  std::vector<ExposedCount> by_hours(machines.size());
  std::vector<ExposedCount> by_washes(machines.size());
  Scores scores;
  for (std::size_t k = 0; k < months.size(); ++k) {
    if (std::binary_search(held_back.begin(), held_back.end(), k)) {
      const absl::StatusOr<double> hours = ScoreMonth(machines, months[k], by_hours, FailureAxis::kUpHours);
      if (!hours.ok()) return hours.status();
      const absl::StatusOr<double> washes = ScoreMonth(machines, months[k], by_washes, FailureAxis::kWashStarts);
      if (!washes.ok()) return washes.status();
      scores.up_hours.push_back(*hours);
      scores.wash_starts.push_back(*washes);
      scores.failures += FailuresIn(machines, months[k]);
    }
    for (std::size_t i = 0; i < machines.size(); ++i) {
      const ExposedMonth& month = machines[i][months[k]];
      if (!Counts(month)) continue;
      by_hours[i].count += month.failures;
      by_hours[i].exposure += month.up_hours;
      by_washes[i].count += month.failures;
      by_washes[i].exposure += month.wash_starts;
    }
  }
  return scores;
}

std::vector<std::size_t> UsableMonths(Machines machines) {
  std::vector<std::size_t> months;
  for (std::size_t m = 0; !machines.empty() && m < machines.front().size(); ++m) {
    const bool usable = std::any_of(machines.begin(), machines.end(),
                                    [m](const std::vector<ExposedMonth>& machine) { return Counts(machine[m]); });
    if (usable) months.push_back(m);
  }
  return months;
}

ExposureChoice UpHoursBecause(std::string reason) {
  ExposureChoice choice;
  choice.reason = std::move(reason);
  return choice;
}

double Sum(const std::vector<double>& values) {
  double sum = 0;
  for (const double value : values) sum += value;
  return sum;
}

ExposureChoice Decide(const Scores& scores) {
  ExposureChoice choice;
  choice.months = static_cast<int>(scores.up_hours.size());
  choice.failures = scores.failures;
  if (choice.failures < kExposureFailuresMin) {
    choice.reason = absl::StrCat("too few failures to try wash starts as well: ", choice.failures, " in the ",
                                 choice.months, " months held back, ", kExposureFailuresMin, " are needed");
    return choice;
  }
  const double hours = Sum(scores.up_hours);
  const double washes = Sum(scores.wash_starts);
  choice.score_up_hours = hours;
  choice.score_wash_starts = washes;
  if (std::abs(hours - washes) <= kAlike * (hours + washes)) {
    choice.reason = absl::StrFormat(
        "tried on %d months held back with %d failures: wash starts foretold them as well as up hours did",
        choice.months, choice.failures);
    return choice;
  }
  choice.unit = washes < hours ? FailureAxis::kWashStarts : FailureAxis::kUpHours;
  const FailureAxis other = washes < hours ? FailureAxis::kUpHours : FailureAxis::kWashStarts;
  for (std::size_t k = 0; k < scores.up_hours.size(); ++k) {
    const bool washes_better = scores.wash_starts[k] < scores.up_hours[k];
    choice.better_in += washes_better == (choice.unit == FailureAxis::kWashStarts) ? 1 : 0;
  }
  choice.reason = absl::StrFormat(
      "tried on %d months held back with %d failures: %s foretold them better than %s did, in %d of the months",
      choice.months, choice.failures, AxisUnit(choice.unit), AxisUnit(other), choice.better_in);
  return choice;
}

}  // namespace

absl::StatusOr<ExposureChoice> ChooseExposure(Machines machines, std::optional<double> washes_seen) {
  if (const absl::Status status = Check(machines); !status.ok()) return status;
  if (!washes_seen) return UpHoursBecause("machines of this kind told of no wash");
  if (*washes_seen < kWashesSeenMin) {
    return UpHoursBecause(absl::StrFormat("only %.0f %% of the washes were seen, %.0f %% are needed",
                                          std::floor(*washes_seen * 100), kWashesSeenMin * 100));
  }
  const std::vector<std::size_t> months = UsableMonths(machines);
  if (static_cast<int>(months.size()) < kExposureMonthsMin) {
    return UpHoursBecause(absl::StrCat("too few whole months to try wash starts as well: ", months.size(), ", ",
                                       kExposureMonthsMin, " are needed"));
  }
  const absl::StatusOr<Scores> scores = ScoreMonths(machines, months);
  if (!scores.ok()) return scores.status();
  return Decide(*scores);
}

Interval ToldWithin(const MachineTimeline& timeline, const Interval& interval) {
  const std::vector<ObservedSpan>& observed = timeline.history.observed;
  if (observed.empty()) return {interval.end, interval.end};
  return {std::max(interval.start, observed.front().from), interval.end};
}

WashesTold ReadWashes(const MachineTimeline& timeline, const Interval& interval) {
  return ReadWashes(timeline, CycleCounts::Of(timeline), interval);
}

WashesTold ReadWashes(const MachineTimeline& timeline, const CycleCounts& cycles, const Interval& interval) {
  WashesTold told;
  if (timeline.history.observed.empty()) return told;
  const Interval within = ToldWithin(timeline, interval);
  const absl::Time told_from =
      std::clamp(std::min(cycles.first_finished(), within.end), within.start, std::max(within.start, within.end));
  TimeAccount before;
  TimeAccount since;
  AddConditions(timeline.conditions, {within.start, told_from}, before);
  AddConditions(timeline.conditions, {told_from, within.end}, since);
  told.told_hours = absl::ToDoubleHours(since.observed_up());
  told.untold_hours = absl::ToDoubleHours(before.observed_up() + before.unknown() + since.unknown());
  told.washes = static_cast<int>(cycles.Within(within).finished);
  return told;
}

std::optional<double> ShareOfWashesSeen(std::span<const WashesTold> machines) {
  double seen = 0;
  double seen_hours = 0;
  double missed = 0;
  double silent_hours = 0;  // of machines that told of no wash
  for (const WashesTold& machine : machines) {
    if (machine.washes == 0 || machine.told_hours <= 0) {
      silent_hours += machine.told_hours + machine.untold_hours;
      continue;
    }
    seen += machine.washes;
    seen_hours += machine.told_hours;
    missed += machine.washes * machine.untold_hours / machine.told_hours;
  }
  if (seen <= 0) return std::nullopt;
  return seen / (seen + missed + silent_hours * seen / seen_hours);
}

}  // namespace bayward
